"""Text of a record as the text of a drawing: what means something there is taken literally."""

from __future__ import annotations

from typing import Final

_ESCAPES: Final = {
    "\\": "\\\\",
    "{": "\\{",
    "}": "\\}",
    "^": "^ ",  # caret notation of control signs
    "\n": "\\P",
}


def plain(text: object) -> str:
    r"""Return a text as MTEXT shows it literally; None as "".

    A doubled per cent sign begins a code in every text of a drawing and has no escape, so a space
    parts it.

    >>> plain("C:\\a {b}\n50%%d ^J")
    'C:\\\\a \\{b\\}\\P50% %d ^ J'
    """
    if text is None or text != text:
        return ""
    said = str(text).replace("\r\n", "\n").replace("%%", "% %")
    kept = (c for c in said if c == "\n" or c.isprintable())
    return "".join(_ESCAPES.get(c, c) for c in kept)
