"""Text from outside, such as names in a file: fit for a terminal, for UTF-8, for a spreadsheet."""

import re

# Control characters steer a terminal; half of a surrogate pair is what Python makes of a name that is not UTF-8.
_ODD = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")
# What a spreadsheet takes for the start of a formula. Source: OWASP, "CSV Injection".
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def plain(text: str) -> str:
    r"""The text with a replacement character for each that is none to print.

    Returns
    -------
    str
        Without control characters, but for tab and line end, and encodable as UTF-8.

    Examples
    --------
    >>> plain("caf\udce9.csv")
    'caf\ufffd.csv'
    """
    return _ODD.sub("\ufffd", text)


def fault_in(text: str) -> str | None:
    """What makes a text unfit to keep: the end of a sentence; None where nothing does."""
    odd = _ODD.search(text)
    if odd is None:
        return None
    code = ord(odd.group())
    if code >= 0xD800:
        return f"is not valid UTF-8 (character {odd.start() + 1}); write it in UTF-8"
    return f"holds the control character U+{code:04X} (character {odd.start() + 1}); take it out"


def csv_cell(text: str) -> str:
    """A text as a cell of a CSV file: one that a spreadsheet would take for a formula gets an apostrophe before it."""
    return f"'{text}" if text.startswith(_FORMULA) else text
