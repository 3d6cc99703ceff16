"""Where the command `uptake` begins, before anything of weight is loaded.

From here on, until `terminal.tidy` takes over, Ctrl-C ends the program without a word. Each of the
three streams is open: else the next file that is opened would take its number, and messages would
go into it. What cannot be said on stderr is not said; no answer hangs on it.
"""

from __future__ import annotations

import gc
import io
import os
import signal
import sys
from contextlib import suppress

BAD_INPUT = 2
"""As `terminal.ExitCode`, which loads more than may be loaded yet."""


class _Lossy(io.TextIOWrapper):
    """A stream that takes all, and drops what it cannot write."""

    def write(self, text: str, /) -> int:
        with suppress(OSError):
            return super().write(text)
        return len(text)

    def flush(self) -> None:
        with suppress(OSError):
            super().flush()


def main() -> None:
    """The command line, as `cli.main` has it."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else it is ignored here
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    _open_streams()
    # Loading makes a million objects that stay; to look through them for rubbish at every few
    # hundred, as Python does, takes a sixth of its time.
    gc.set_threshold(100_000, 50, 100)
    try:
        os.getcwd()
    except OSError:  # before more is loaded, since Python looks for modules there
        print("the current folder is gone; change to another one", file=sys.stderr)
        sys.exit(BAD_INPUT)

    from reports.cli import main as command
    from reports.terminal import give_up

    try:
        command()
    except OSError as error:  # of the help, onto a full disk say; commands see to their own
        if isinstance(error, BrokenPipeError) or os.environ.get("UPTAKE_DEBUG") == "1":
            raise
        give_up(sys.stdout)
        print(f"the output could not be printed ({error.strerror})", file=sys.stderr)
        sys.exit(BAD_INPUT)


def _open_streams() -> None:
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    for number, name in ((1, "stdout"), (2, "stderr")):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, "w", closefd=False))
    if isinstance(sys.stderr, io.TextIOWrapper):
        encoding = sys.stderr.encoding
        bytes_out = sys.stderr.detach()
        sys.stderr = _Lossy(bytes_out, encoding=encoding, errors="replace", line_buffering=True)


if __name__ == "__main__":
    main()
