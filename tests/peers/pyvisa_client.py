"""PyVISA with pyvisa-py talks to the simulated supply: `pyvisa_client.py RESOURCE`.

An independent SCPI client: it frames, times out and parses by its own rules.
"""

import sys

import pyvisa

from common import check, done, near, until

manager = pyvisa.ResourceManager("@py")
supply = manager.open_resource(sys.argv[1], read_termination="\n", write_termination="\n", timeout=10_000)
if supply.resource_name.startswith("ASRL"):
    supply.baud_rate = 115_200


def errors():
    """The error queue, emptied; at most as many as any queue holds."""
    found = []
    for _ in range(40):
        code, text = supply.query("SYST:ERR?").split(",", 1)
        if int(code) == 0:
            check(text, '"No error"', "an empty queue says so")
            return found
        found.append(int(code))
    sys.exit("FAILED the error queue has no end")


# Identity: four fields, as IEEE 488.2 has it.
identity = supply.query("*IDN?").split(",")
check(len(identity), 4, "fields of the identity")
check(identity[2], "0042", "serial number")
check(errors(), [], "errors at the start")

# Short and long forms, any case, with and without optional nodes.
supply.write("VOLT 3.5")
for question in (
    "VOLT?",
    "volt?",
    ":VOLTage?",
    "SOURce:VOLTage:LEVel:IMMediate:AMPLitude?",
    "SOUR:VOLT:LEV:IMM:AMPL?",
    ":sour:voltage?",
    "VOLT:LEV?",
):
    near(supply.query_ascii_values(question)[0], 3.5, 1e-9, question)
supply.write("SOURce:CURRent:LEVel:IMMediate:AMPLitude 1.25")
near(float(supply.query("CURR?")), 1.25, 1e-9, "long form sets, short form asks")
# Every number form, and a unit.
for text, value in (("+2", 2.0), ("2.50", 2.5), ("2.75E+00", 2.75), ("3000 mV", 3.0), ("MIN", 0.0)):
    supply.write(f"VOLT {text}")
    near(float(supply.query("VOLT?")), value, 1e-9, f"VOLT {text}")
check(errors(), [], "errors after good commands")

# What is neither short nor long form is no header: -113.
for bad in ("VOL 1", "VOLTA 1", "NONSENSE?", "OUTPU ON"):
    supply.write(bad)
    check(errors(), [-113], bad)
# Out of range: -222, and nothing has changed.
supply.write("VOLT 4")
for bad in ("VOLT 99", "VOLT -1", "CURR 1E6"):
    supply.write(bad)
    check(errors(), [-222], bad)
near(float(supply.query("VOLT?")), 4.0, 1e-9, "a refused setpoint changes nothing")
# The queue keeps its order, and *CLS empties it.
supply.write("VOLT 99")
supply.write("NONSENSE")
check(errors(), [-222, -113], "two errors in their order")
supply.write("NONSENSE")
supply.write("*CLS")
check(errors(), [], "*CLS")
# Event status: execution error 16, command error 32; reading clears.
supply.query("*ESR?")
supply.write("VOLT 99")
supply.write("NONSENSE")
check(int(supply.query("*ESR?")) & 48, 48, "event status")
check(int(supply.query("*ESR?")), 0, "reading clears it")
supply.write("*CLS")

# Set, switch on, read, joined: one line out, one line back.
supply.write("*RST")
check(supply.query("OUTP?"), "0", "off after *RST")
supply.write("VOLT:PROT 8;:VOLT 6;CURR 2")
check(supply.query("OUTP ON;*OPC?"), "1", "on")
until(lambda: supply.query("STAT:QUES:COND?"), lambda bits: int(bits) & 3 == 1, "it holds its current")
volts, amps, on = supply.query("MEAS:VOLT?;:MEAS:CURR?;:OUTP?").split(";")
near(float(amps), 2.0, 0.02, "measured amperes")
check(0.0 < float(volts) < 6.0, True, f"measured volts {volts}")
check(on, "1", "the output in a joined answer")
near(float(supply.query("MEASure:SCALar:CURRent:DC?")), 2.0, 0.02, "long form of the meter")
check(supply.query("OUTP OFF;:OUTP?"), "0", "off")
near(float(supply.query("MEAS:CURR?")), 0.0, 0.01, "no current when off")
check(errors(), [], "errors at the end")

# A command has no answer: the client must run into its own time-out, and be in step again after.
supply.timeout = 300
try:
    supply.query("VOLT 5")
    sys.exit("FAILED a command was answered")
except pyvisa.errors.VisaIOError as error:
    check(error.error_code, pyvisa.constants.StatusCode.error_timeout, "time-out")
supply.timeout = 10_000
near(float(supply.query("VOLT?")), 5.0, 1e-9, "in step after a time-out")
supply.close()
done(50)
