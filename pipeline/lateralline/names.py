r"""What things may be called: the one rule for ids of sites, runs, lines, stops, marks and points.

A name stands on drawings and labels, in ids such as `R1/3`, in tables a spreadsheet opens, on a
terminal, and an id of a site in file names. So it is one line of letters of any script, digits and
signs, of 64 characters at most, and none of them does what a reader cannot see:

- no line breaks, control signs, signs without width or that turn the direction of writing: a name
  would be shown as another one, or forge a line of a report;
- none of / \ : ; , which part ids, ties and paths; no name is `.` or `..`;
- no = or @ at the beginning, nor + or - before anything but a number: a spreadsheet would take the
  name for a formula and run it.

Letters are brought to Unicode's composed form, so that `Ä` is one name however it was typed. An id
of a site becomes a file name: its pattern in the schema keeps it ASCII, and here it is checked for
what Windows takes (reserved names of devices: from memory of Microsoft's "Naming Files, Paths, and
Namespaces"). Free text may be of any script and length, but never holds control signs or those that
turn the direction of writing.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

#: Characters of a name: it stands in labels, on drawings and in file names, where 255 bytes fit.
LONGEST: Final = 64

#: What a name must be, in words.
MUST_BE: Final = f"a name of at most {LONGEST} characters, without any of / \\ : ; ,"

_PARTING: Final = "/\\:;,"
_PATHS: Final = (".", "..")
_DEVICES: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.ASCII | re.IGNORECASE)
_NUMBER: Final = re.compile(r"[+-]\d+(\.\d+)?", re.ASCII)
_BREAK: Final = re.compile("[\n\v\f\r\x1c-\x1e\x85\u2028\u2029]")
#: Control signs but for tab and line breaks; embeddings, overrides and isolates of direction (UAX
#: 9, from memory); halves of surrogate pairs; what Unicode says is no character.
_UNSAFE: Final = re.compile(
    "[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)


def wrong_sign(text: str) -> str:
    r"""Return what of a free text must not be in it, as a hint; "" when it is sound.

    >>> wrong_sign("cable\tat 3"), wrong_sign("1A\x1b"), wrong_sign("A\u202eB")
    ('', 'retype it: it holds a control character', 'retype it: it holds the unseen sign U+202E')
    """
    if (m := _UNSAFE.search(text)) is None:
        return ""
    if unicodedata.category(m[0]) == "Cc":
        return "retype it: it holds a control character"
    return f"retype it: it holds the unseen sign U+{ord(m[0]):04X}"


def composed(name: str) -> str:
    """Return a name with its blanks and letters in one form."""
    return unicodedata.normalize("NFC", " ".join(name.split()))


def wrong_name(name: str, *, file: bool = False) -> str:
    r"""Return what is wrong with a name, as a hint; "" when it will do.

    With `file`, the name becomes part of file names.

    >>> wrong_name("CO 1"), wrong_name("Schacht Ä-3"), wrong_name("-1"), wrong_name("R1/3")
    ('', '', '', 'it holds /')
    >>> wrong_name("nul"), wrong_name("nul", file=True)
    ('', 'Windows keeps that name for a device')
    """
    if _BREAK.search(name.strip()):
        return "retype it: it holds a line break"
    if hint := wrong_sign(name):
        return hint
    name = composed(name)
    if len(name) > LONGEST:
        return f"it has {len(name)} characters"
    for sign in name:
        category = unicodedata.category(sign)
        if sign in _PARTING:
            return f"it holds {sign}"
        if category[0] not in "LMNPS" and sign != " ":
            return f"retype it: it holds the unseen sign U+{ord(sign):04X}"
    if name in _PATHS:
        return "it names a folder"
    if name[:1] in ("=", "@") or (name[:1] in ("+", "-") and not _NUMBER.fullmatch(name)):
        return f"a spreadsheet would take it for a formula: begin with another sign than {name[0]}"
    if file and _DEVICES.fullmatch(name):
        return "Windows keeps that name for a device"
    return ""
