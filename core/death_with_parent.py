"""A process that ends when the one that started it does, however that ended (Linux)."""

from __future__ import annotations

import ctypes
import os
import signal

_PR_SET_PDEATHSIG = 1
_libc = ctypes.CDLL(None, use_errno=True)


def die_with_parent(parent_pid: int, signal_number: int = signal.SIGKILL) -> None:
    """Have the kernel send this process the signal when the parent is gone.

    The signal is sent when the thread that started this process ends. It holds across exec, so
    this can be called between fork and exec. Where the parent is gone already, ends the process.
    Raises OSError.
    """
    if _libc.prctl(_PR_SET_PDEATHSIG, signal_number) != 0:
        raise OSError(ctypes.get_errno(), "PR_SET_PDEATHSIG was refused")
    if os.getppid() != parent_pid:
        os._exit(1)
