"""What our programs for the peer tests share: a check that says what failed, and a count."""

import sys
import time

_checks = 0


def check(found, wanted, what):
    """Ends the program with one line if `found` is not `wanted`."""
    global _checks
    _checks += 1
    if found != wanted:
        sys.exit(f"FAILED {what}: {found!r} instead of {wanted!r}")


def near(found, wanted, by, what):
    """The same for a measured number."""
    global _checks
    _checks += 1
    if not abs(found - wanted) <= by:
        sys.exit(f"FAILED {what}: {found!r} is not within {by} of {wanted!r}")


def done(least):
    """The last line: how much was checked. Fewer than `least` is a failure of its own."""
    if _checks < least:
        sys.exit(f"FAILED only {_checks} of {least} checks were made")
    print(f"ok {_checks}")


def until(ask, fits, what):
    """Asks again and again until the answer fits; ten seconds are a failure."""
    end = time.monotonic() + 10
    while True:
        answer = ask()
        if fits(answer):
            return answer
        if time.monotonic() > end:
            sys.exit(f"FAILED {what}: still {answer!r}")
