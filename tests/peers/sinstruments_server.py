"""A supply of a few SCPI headers, served by sinstruments: `sinstruments_server.py LINK [BAUD]`.

Prints `tcp PORT`, `pty LINK` and `ready`. The library does the serving, the
framing and the pacing; the device class below keeps numbers and no more.
"""

import sys

import gevent
from sinstruments.simulator import BaseDevice, Server, TCPServer

LOAD = 3.0  # ohms


class Supply(BaseDevice):
    """Two setpoints, the lower wins on a resistor; answers NR2, and NR3 where it measures."""

    def __init__(self, name, **options):
        super().__init__(name, **options)
        self.numbers = {"VOLT": 0.0, "CURR": 0.0, "VOLT:PROT": 13.2, "CURR:PROT": 11.0}
        self.flags = {"OUTP": False, "VOLT:PROT:STAT": True, "CURR:PROT:STAT": False}
        self.errors = []

    def measured(self):
        if not self.flags["OUTP"]:
            return 0.0, 0.0
        amps = min(self.numbers["CURR"], self.numbers["VOLT"] / LOAD)
        return amps * LOAD, amps

    def ask(self, header):
        volts, amps = self.measured()
        if header in self.numbers:
            return f"{self.numbers[header]:.3f}"
        if header in self.flags:
            return str(int(self.flags[header]))
        if header == "SYST:ERR":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        held = 0 if not self.flags["OUTP"] else (1 if amps == self.numbers["CURR"] else 2)
        answers = {
            "*IDN": "WORKSHOP,RESISTOR SUPPLY,0815,1.0",
            "MEAS:VOLT": f"{volts:+.4E}",
            "MEAS:CURR": f"{amps:+.4E}",
            "VOLT:PROT:TRIP": "0",
            "CURR:PROT:TRIP": "0",
            "STAT:QUES:COND": str(held),
        }
        return answers.get(header)

    def tell(self, header, value):
        if header in self.numbers:
            self.numbers[header] = float(value)
        elif header in self.flags:
            self.flags[header] = value in ("1", "ON")
        elif header == "*CLS":
            self.errors.clear()
        elif header not in ("VOLT:PROT:CLE", "CURR:PROT:CLE"):
            self.errors.append('-113,"Undefined header"')

    def handle_message(self, message):
        answers = []
        for unit in message.decode("ascii").strip().split(";"):
            header, _, value = unit.strip().lstrip(":").partition(" ")
            if not header:
                continue
            if header.endswith("?"):
                answer = self.ask(header[:-1])
                if answer is None:
                    self.errors.append('-113,"Undefined header"')
                else:
                    answers.append(answer)
            else:
                self.tell(header, value)
        return (";".join(answers) + "\n").encode() if answers else None


link, baud = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else None
server = Server(
    devices=[
        {
            "name": "supply",
            "package": "__main__",
            "class": "Supply",
            "transports": [
                {"type": "tcp", "url": ["127.0.0.1", 0]},
                {"type": "serial", "url": link, "baudrate": baud},
            ],
        }
    ]
)
for transport in server.get_device_by_name("supply").transports:
    if isinstance(transport, TCPServer):
        transport.start()
        print("tcp", transport.server_port, flush=True)
    else:
        gevent.spawn(transport.serve_forever)
        print("pty", link, flush=True)
print("ready", flush=True)
# Whoever started us ends us by closing our input.
gevent.get_hub().threadpool.apply(sys.stdin.read)
server.stop()
