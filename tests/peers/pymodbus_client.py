"""pymodbus as the client of the simulated supply: `pymodbus_client.py rtu PATH BAUD ORDER` or `tcp HOST PORT ORDER`.

ORDER is the order of the bytes of a float32: abcd, cdab, badc, dcba.
"""

import struct
import sys

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusIOException

from common import check, done, near, until

kind, where, how, order = sys.argv[1:]
if kind == "rtu":
    client = ModbusSerialClient(where, baudrate=int(how), timeout=3, retries=0)
else:
    client = ModbusTcpClient(where, port=int(how), timeout=3, retries=0)
check(client.connect(), True, "connect")


def read(first, count):
    reply = client.read_holding_registers(first, count=count, device_id=1)
    check(reply.isError(), False, f"read {count} from {first}: {reply}")
    return reply.registers


def refused(reply, code, what):
    check(reply.isError(), True, what)
    check(reply.exception_code, code, what)


check(read(32, 4), [0x544B, 0x4D31, 1, 4464], "identity and serial number 70000")

# The float32, put together again by hand and by pymodbus's own converter.
words = read(48, 2)
raw = struct.pack(">HH", *words)
places = ["abcd".index(c) for c in order]
straight = bytes(raw[places.index(i)] for i in range(4))
check(struct.unpack(">f", straight)[0], 123456.0, f"float32 {order}")
if order in ("abcd", "cdab"):
    word_order = "big" if order == "abcd" else "little"
    value = client.convert_from_registers(words, client.DATATYPE.FLOAT32, word_order=word_order)
    check(value, 123456.0, f"float32 {word_order} by pymodbus")

# Set one by one and as a block, read back.
check(client.write_register(3, 800, device_id=1).isError(), False, "over-voltage level")
check(client.write_register(4, 3000, device_id=1).isError(), False, "over-current level")
check(client.write_registers(1, [600, 2000], device_id=1).isError(), False, "both setpoints")
check(read(0, 6), [0, 600, 2000, 800, 3000, 0], "what was written")
check(client.write_register(0, 1, device_id=1).isError(), False, "on")
# The output slews: it holds its voltage on the way up, then its current.
block = until(lambda: read(16, 7), lambda words: words[1] > 1990 and words[3] == 1, "2 A in constant current")
volts, amps, on, regulation, trips, set_volts, set_amps = block
near(amps, 2000, 20, "measured milliamperes")
check(0 < volts < 600, True, f"measured volts {volts}")
check((on, regulation, trips, set_volts, set_amps), (1, 1, 0, 600, 2000), "the rest of the block")
check(client.write_register(0, 0, device_id=1).isError(), False, "off")
check(read(18, 3), [0, 0, 0], "off, read back")

# Exceptions of the Application Protocol: 01 function, 02 address, 03 value.
refused(client.read_input_registers(16, count=1, device_id=1), 1, "function 04")
refused(client.read_coils(0, count=1, device_id=1), 1, "function 01")
refused(client.read_holding_registers(6, count=1, device_id=1), 2, "a register that is not there")
refused(client.read_holding_registers(5, count=12, device_id=1), 2, "a block with a hole")
refused(client.write_register(16, 5, device_id=1), 2, "writing a meter")
refused(client.write_registers(4, [1000, 0, 1], device_id=1), 2, "a block with a bad end")
check(read(4, 1), [3000], "a refused block wrote nothing")
check(read(16, 7)[2], 0, "fine after the exceptions")

# Another address: silence on a serial line, a gateway's exception over TCP.
if kind == "rtu":
    client.comm_params.timeout_connect = 0.5
    try:
        client.read_holding_registers(16, count=1, device_id=9)
        sys.exit("FAILED a device with another address answered")
    except ModbusIOException:
        client.connect()
else:
    refused(client.read_holding_registers(16, count=1, device_id=9), 11, "another unit")
check(read(16, 7)[2], 0, "in step after another address")

# A hundred whole blocks: not one shifted.
for _ in range(100):
    check(read(16, 7)[5:], [600, 2000], "a block in step")
client.close()
done(150)
