"""pymodbus serves a supply: `pymodbus_server.py rtu PATH BAUD ORDER` or `tcp HOST PORT ORDER`.

Unit 1. The integer registers are those of the simulated supply (0 output, 1
volts in 10 mV, 2 amperes in 1 mA, 3 and 4 protection levels, 5 clear; 16..22
the measured block; 32..35 identity; 48..49 the known value 123456.0). The same
supply again in float32 of the given byte order: 64..65 set volts, 66..67 set
amperes, 80..81 measured volts, 82..83 measured amperes, 84..85 set volts,
86..87 set amperes, 88 output, 89 regulation, 90 trips. Any other register does
not exist. On the terminals hang 3 ohms.

Lines on its input change how it behaves, each answered by `done`:
`slow SECONDS`, `wrong-address`, `exception CODE`, `load OHMS`, `fine`.
"""

import asyncio
import struct
import sys

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

kind, where, how, order = sys.argv[1:]
places = ["abcd".index(c) for c in order]
state = {"slow": 0.0, "wrong": False, "exception": None, "ohms": 3.0}


def floats(value):
    raw = struct.pack(">f", value)
    return list(struct.unpack(">HH", bytes(raw[i] for i in places)))


def value_of(words):
    raw = struct.pack(">HH", *words)
    return struct.unpack(">f", bytes(raw[places.index(i)] for i in range(4)))[0]


# The library answers a write with what the register holds afterwards, so register 5 keeps its word.
supply = {"on": 0, "volts": 0.0, "amps": 0.0, "ovp": 1320, "ocp": 11000, "clear": 0}


def image():
    """What every register holds just now."""
    volts = amps = 0.0
    if supply["on"]:
        amps = min(supply["amps"], supply["volts"] / state["ohms"])
        volts = amps * state["ohms"]
    held = 0 if not supply["on"] else (1 if amps >= supply["amps"] - 1e-9 else 2)
    set_v, set_a = round(supply["volts"] * 100), round(supply["amps"] * 1000)
    registers = {}

    def put(first, words):
        registers.update(enumerate(words, first))

    put(0, [supply["on"], set_v, set_a, supply["ovp"], supply["ocp"], supply["clear"]])
    put(16, [round(volts * 100), round(amps * 1000), supply["on"], held, 0, set_v, set_a])
    put(32, [0x544B, 0x4D31, 0, 815])
    put(48, floats(123456.0))
    put(64, floats(supply["volts"]) + floats(supply["amps"]))
    put(80, floats(volts) + floats(amps) + floats(supply["volts"]) + floats(supply["amps"]))
    put(88, [supply["on"], held, 0])
    return registers


def take(address, words):
    """A write that came."""
    new = dict(enumerate(words, address))
    if 0 in new:
        supply["on"] = int(new[0] == 1)
    if 1 in new:
        supply["volts"] = new[1] / 100
    if 2 in new:
        supply["amps"] = new[2] / 1000
    supply["ovp"] = new.get(3, supply["ovp"])
    supply["ocp"] = new.get(4, supply["ocp"])
    supply["clear"] = new.get(5, supply["clear"])
    if 64 in new and 65 in new:
        supply["volts"] = value_of([new[64], new[65]])
    if 66 in new and 67 in new:
        supply["amps"] = value_of([new[66], new[67]])


async def action(function_code, start_address, address, count, current, set_values):
    if state["slow"]:
        await asyncio.sleep(state["slow"])
    if state["exception"]:
        return ExcCodes(state["exception"])
    if set_values is not None:
        take(address, set_values)
    for register, word in image().items():
        if start_address <= register < start_address + len(current):
            current[register - start_address] = word
    return None


def trace(sending, pdu):
    """A reply under another address, framed and summed by the library as any other."""
    if sending and state["wrong"]:
        pdu.dev_id += 1
    return pdu


def device():
    blocks, registers = [], image()
    for first in sorted(r for r in registers if r - 1 not in registers):
        last = first
        while last + 1 in registers:
            last += 1
        words = [registers[r] for r in range(first, last + 1)]
        blocks.append(SimData(first, values=words, datatype=DataType.REGISTERS))
    return SimDevice(id=1, simdata=blocks, action=action)


def command(line):
    word, _, value = line.strip().partition(" ")
    if word == "slow":
        state["slow"] = float(value)
    elif word == "wrong-address":
        state["wrong"] = True
    elif word == "exception":
        state["exception"] = int(value)
    elif word == "load":
        state["ohms"] = float(value)
    elif word == "fine":
        state.update(slow=0.0, wrong=False, exception=None)
    else:
        sys.exit(f"unknown command {line!r}")


async def main():
    if kind == "rtu":
        server = ModbusSerialServer(
            device(), port=where, baudrate=int(how), ignore_missing_devices=True, trace_pdu=trace
        )
        await server.serve_forever(background=True)
    else:
        server = ModbusTcpServer(device(), address=(where, int(how)), trace_pdu=trace)
        await server.serve_forever(background=True)
        print("tcp", server.transport.sockets[0].getsockname()[1], flush=True)
    print("ready", flush=True)
    loop = asyncio.get_running_loop()
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        command(line)
        print("done", flush=True)
    await server.shutdown()


asyncio.run(main())
