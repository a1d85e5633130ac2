"""The one edge where text is printed: what a terminal would obey is shown there, never sent.

A name in a plan or a note in a file may hold signs that a terminal obeys (escape sequences that
clear the page or rename the window) or that make a line read otherwise than it is stored (signs
of reading direction, signs of no width). No command has to think of that:

- `Group.main` puts a `ShownStream` before stdout and stderr while a command runs. Usage errors,
  warnings and tracebacks pass it too, because all of them are written to those two.
- Who reads a pipe may leave (`| head`): what a command does goes on to its end and its exit code,
  and what is printed from then on goes nowhere.
- Rich alone writes past it, because its colours are escape sequences of our own. It writes through
  `ShownConsole`, which shows what it is given before it is laid out, so columns keep their width.

Signs are shown as JSON has them, `\\u001b`: inside a document of `--json` they stay JSON and mean
what they meant. What the stream's encoding has no sign for is shown the same way.
"""

from __future__ import annotations

import codecs
import os
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any, Final, TextIO, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text
from typer.core import TyperGroup

from lateralline.wording import UNSEEN, shown, sign_shown

#: Name of the handler of errors that shows what an encoding has no sign for.
SHOWN: Final = "lateralline-shown"
_PIPED_WIDTH: Final = 100  # columns when nobody says how wide the page is


def _show_unencodable(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    unencodable = error.object[error.start : error.end]
    return "".join(map(sign_shown, unencodable)), error.end


codecs.register_error(SHOWN, _show_unencodable)


@contextmanager
def _readers_may_leave(stream: TextIO) -> Iterator[None]:
    """Where the reader of a pipe has left, send all that is written there nowhere from now on."""
    try:
        yield
    except BrokenPipeError:
        _send_nowhere(stream)


def _send_nowhere(stream: TextIO) -> None:
    """Let what a stream still holds, and all that comes, go nowhere."""
    with suppress(OSError, ValueError):  # a stream without a file of its own
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


class ShownStream:
    """A text stream whose unseen signs are shown; everything else is the stream's own.

    It has no `buffer`: whoever looks for one to write past the encoding would write past this.
    """

    def __init__(self, stream: TextIO) -> None:
        """Stand before a stream."""
        self.stream = stream

    def write(self, text: str) -> int:
        """Write a text, its unseen signs shown."""
        with _readers_may_leave(self.stream):
            self.stream.write(shown(text))
        return len(text)

    def flush(self) -> None:
        """Hand on what was written."""
        with _readers_may_leave(self.stream):
            self.stream.flush()

    def writelines(self, lines: Iterable[str]) -> None:
        """Write texts one after the other."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        """Return what the stream has under a name."""
        if name in ("buffer", "stream"):
            raise AttributeError(name)
        return getattr(self.stream, name)


@contextmanager
def shown_streams() -> Iterator[None]:
    """Show unseen signs on stdout and stderr while the block runs."""
    before = {name: getattr(sys, name) for name in ("stdout", "stderr")}
    put = {name: ShownStream(stream) for name, stream in before.items() if stream is not None}
    for name, stream in put.items():
        setattr(sys, name, stream)
    try:
        yield
    finally:
        for name, stream in put.items():
            stream.flush()
            if getattr(sys, name) is stream:  # typer puts another one where a pipe has closed
                setattr(sys, name, before[name])


@contextmanager
def interruptible() -> Iterator[Callable[[], None]]:
    """Yield what raises KeyboardInterrupt where Ctrl-C was pressed in this block before.

    Python raises it wherever the program is, and drops it in a callback of a library; a long run
    asks once in a while.
    """
    pressed = False

    def press(_number: int, _frame: FrameType | None) -> None:
        nonlocal pressed
        pressed = True
        raise KeyboardInterrupt

    def ask() -> None:
        if pressed:
            raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield ask
        return
    before = signal.signal(signal.SIGINT, press)
    try:
        yield ask
    finally:
        signal.signal(signal.SIGINT, before)


class Group(TyperGroup):
    """The command line, with unseen signs shown whatever it prints, its errors included."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run the command line."""
        with shown_streams():
            return super().main(*args, **kwargs)


class ShownConsole(Console):
    """A console on stdout that shows unseen signs and takes no text for markup or emoji."""

    def __init__(self) -> None:
        """Write to whatever stdout is now."""
        out = sys.stdout
        raw = out.stream if isinstance(out, ShownStream) else out
        super().__init__(file=raw, highlight=False, markup=False, emoji=False)

    def on_broken_pipe(self) -> None:
        """Go on where the reader of a pipe has left: what is done matters, not who looks."""
        _send_nowhere(cast(TextIO, self.file))

    def render_str(self, text: str, **kwargs: Any) -> Text:
        """Return a string as it is laid out."""
        return super().render_str(shown(text), **kwargs)

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Return what is printed for a text, or for a part of a table."""
        if isinstance(renderable, Text):
            renderable = _text_shown(renderable)
        return super().render(renderable, options)


def _text_shown(text: Text) -> Text:
    """Return a text with its unseen signs shown in the style of the whole."""
    made, at = text.blank_copy(), 0
    for found in UNSEEN.finditer(text.plain):
        made.append_text(text[at : found.start()])
        made.append(sign_shown(found[0]))
        at = found.end()
    return made.append_text(text[at:]) if at else text


def console() -> Console:
    """Return stdout as a console: plain text of a steady width when it is no terminal.

    Made afresh by each caller, so it writes to whatever stdout is then.
    """
    made = ShownConsole()
    if not made.is_terminal and "COLUMNS" not in os.environ:
        made.width = _PIPED_WIDTH
    return made


def console_into(text: TextIO, width: int) -> Console:
    """Return a console of a steady width that writes plain text into a stream."""
    return Console(file=text, width=width, highlight=False, markup=False, emoji=False)


def print_indented(
    to: Console,
    text: str,
    columns: int = 0,
    style: str = "",
    *,
    hanging: bool = False,
    tail: str = "",
) -> None:
    """Print a text wrapped to the page, every line of it `columns` in; words stay whole.

    With `hanging`, the first line goes on where something was printed already. `tail` stands dim
    behind it, whole, in a line of its own where there is no room.
    """
    width = max(to.width - columns, 20)
    lines = textwrap.wrap(shown(text), width, break_long_words=False, break_on_hyphens=False)
    beside = bool(tail and lines) and len(lines[-1]) + 2 + len(tail) <= width
    for n, line in enumerate(lines):
        indent = "" if hanging and n == 0 else " " * columns
        printed = Text(indent + line, style=style)
        if beside and n == len(lines) - 1:
            printed.append(f"  {tail}", style="dim")
        to.print(printed, soft_wrap=True)
    if tail and not beside:
        to.print(Text(" " * columns + tail, style="dim"), soft_wrap=True)
