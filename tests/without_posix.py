"""A plug-in of pytest that takes away what Windows has not: are all tests found there?"""

from __future__ import annotations

import os
import signal
import sys

for name in ("SIGKILL", "SIGSTOP", "SIGCONT", "pause"):
    delattr(signal, name)
for name in ("killpg", "getpgid", "getsid", "fork"):
    delattr(os, name)
for name in ("fcntl", "resource", "pty", "termios", "pwd", "grp"):
    sys.modules[name] = None  # type: ignore[assignment] # as if it were not there
