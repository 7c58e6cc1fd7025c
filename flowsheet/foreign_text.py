"""Text that comes from a file: which characters it may have, and how it is shown in a message.

A name goes to the terminal, to XML and to printed pages. What cannot be seen, or changes what is
seen around it, is refused where it is read: control characters, overrides of the direction of
writing (letters written from right to left have none of them), and code points that are no
characters (Unicode 15.0, 23.1, 23.2, 23.7; Unicode Technical Report 36, 2.7). A name begins with no
combining mark: it would join what stands before it (2.11, 3.6 of the standard).
"""

from __future__ import annotations

import re
import unicodedata

__all__ = ["INVISIBLE", "named_character", "shown", "unreadable_character"]

INVISIBLE = "\u00ad\u061c\u200b-\u200f\u2060-\u2064\ufeff"
"""Characters without a width, as a class of a pattern: in a table they are left out."""
_UNSEEN = (
    "\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u206f\ufff9-\ufffb"
    "\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff\U000e0000-\U000e007f"
    + "".join(f"{chr(p)}{chr(p + 1)}" for p in range(0x1FFFE, 0x110000, 0x10000))
)
_REFUSED = re.compile(f"[{_UNSEEN}]")
_REFUSED_IN_NAMES = re.compile(f"[{_UNSEEN}{INVISIBLE}\t\n\r]")
_NOT_SHOWN = re.compile(f"[{_UNSEEN}{INVISIBLE}\t\r]")
_CONTROLS = {
    0: "null", 7: "bell", 8: "backspace", 9: "tab", 10: "line feed", 11: "vertical tab",
    12: "form feed", 13: "carriage return", 27: "escape", 127: "delete",
}  # fmt: skip
_LONGEST_WORD = 400


def unreadable_character(text: str, *, name: bool = False) -> str:
    """Return the first character of a text that is refused, named; empty if there is none.

    Parameters
    ----------
    text : str
    name : bool
        Whether it is a name as it stands: then neither breaks of lines nor characters without a
        width may be in it, nor a mark first that combines with what stands before. From the cells
        of a table these are taken out.

    Examples
    --------
    >>> unreadable_character("feed" + chr(27) + "[31m"), unreadable_character("feed")
    ('U+001B escape', '')
    """
    if text.isascii() and text.isprintable():
        return ""
    found = (_REFUSED_IN_NAMES if name else _REFUSED).search(text)
    if found:
        return named_character(found[0])
    first = text.lstrip()[:1] if name else ""
    return named_character(first) if unicodedata.category(first or " ")[0] == "M" else ""


def named_character(character: str) -> str:
    """Return the number and the name of a character.

    Examples
    --------
    >>> named_character(chr(0x202E))
    'U+202E right-to-left override'
    """
    code = ord(character)
    kind = unicodedata.category(character)
    default = {"Cc": "control character", "Cs": "half of a character"}.get(kind, "no character")
    name = _CONTROLS.get(code) or unicodedata.name(character, default).casefold()
    return f"U+{code:04X} {name}"


def _written_out(code: int) -> str:
    r"""Return a character by its number; a byte that is no text, as of a file's name, as \xe9."""
    return f"\\x{code - 0xDC00:02x}" if 0xDC80 <= code <= 0xDCFF else f"[U+{code:04X}]"


def shown(text: str) -> str:
    """Return a message with whatever a file brought into it made visible, and words cut short.

    Examples
    --------
    >>> shown("There is no stream 'feed" + chr(27) + "'.")
    "There is no stream 'feed[U+001B]'."
    """
    if text.isascii() and text.isprintable():
        visible = text
    else:
        visible = _NOT_SHOWN.sub(lambda found: _written_out(ord(found[0])), text)
    if len(visible) <= _LONGEST_WORD:
        return visible
    return re.sub(rf"(\S{{{_LONGEST_WORD // 2}}})\S{{{_LONGEST_WORD // 2},}}", r"\1...", visible)
