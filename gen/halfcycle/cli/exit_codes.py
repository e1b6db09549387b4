"""What the command line ends with."""

from __future__ import annotations

GOOD = 0
DIFFERENCE = 1
"""A check found a difference, or a limit was broken."""
BAD_INPUT = 2
"""Bad usage or input, a missing tool, or a machine that refuses (a full disk)."""
OWN_FAULT = 70
"""EX_SOFTWARE of sysexits.h."""
BY_SIGNAL = 128
"""Added to the number of the signal that ended the program, as shells do."""
SIGINT, SIGPIPE = 2, 13
