"""A tight loop of readings with pyserial or pymodbus, to be timed against ours.

`side_by_side.py scpi PATH BAUD REST`: standard input is a JSON list of readings,
each a list of the lines to ask. `side_by_side.py modbus PATH BAUD REST`: standard
input is a JSON list of readings, each a list of [first register, count].
REST is the least time between an answer and the next question, in seconds.

Prints one line of JSON: readings, wall and processor seconds of the loop alone
(time.process_time: user and system time of this process), bytes both ways.
"""

import json
import sys
import time

kind, path, baud, rest = sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4])
readings = json.load(sys.stdin)

if kind == "scpi":
    import serial

    port = serial.Serial(path, baud, timeout=2)
    readings = [[line.encode() for line in lines] for lines in readings]

    def ask(line):
        port.write(line)
        answer = b""
        # All that has come in one call: leaner than readline(), which takes byte by byte.
        while not answer.endswith(b"\n"):
            more = port.read(port.in_waiting or 1)
            if not more:
                sys.exit(f"no answer to {line!r}")
            answer += more
        [float(field) for field in answer.split(b";")]
        return len(line) + len(answer)

    close = port.close
else:
    from pymodbus.client import ModbusSerialClient

    client = ModbusSerialClient(path, baudrate=baud, timeout=2, retries=0)
    if not client.connect():
        sys.exit("cannot connect")

    def ask(block):
        first, count = block
        reply = client.read_holding_registers(first, count=count, device_id=1)
        if reply.isError() or len(reply.registers) != count:
            sys.exit(f"{block}: {reply}")
        # Request and answer of function code 03.
        return 8 + 5 + 2 * count

    close = client.close

# One reading that is not timed: whatever is set up at the first is set up.
for question in readings[0]:
    ask(question)
    time.sleep(0.02)
total = 0
wall, cpu = time.perf_counter(), time.process_time()
for questions in readings:
    for question in questions:
        total += ask(question)
        if rest:
            time.sleep(rest)
cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
close()
print(json.dumps({"readings": len(readings), "wall": wall, "cpu": cpu, "bytes": total}))
