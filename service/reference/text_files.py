"""Text files in the encodings that spreadsheets save."""

from __future__ import annotations

import codecs
import re
from typing import Final

__all__ = ["as_utf8", "western_text"]

# Letters and signs of western European field sheets. Other bytes would be another encoding.
_WESTERN: Final = set("ÄÖÜäöüßÀÂÆÇÈÉÊËÎÏÔŒÙÛàâæçèéêëîïôœùûÅåØøÁÍÓÚÑáíóúñ°²µ–—‘’“”€½\xa0")


def as_utf8(content: bytes) -> bytes:
    """Encode anew what begins with the byte order mark of UTF-16, such as a spreadsheet's text.

    What is not UTF-16 throughout comes back as it is, to be refused.
    """
    if not content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content
    try:
        return content.decode("utf-16").encode()
    except UnicodeDecodeError:
        return content


def western_text(content: bytes) -> tuple[str, str] | None:
    """Decode code page 1252 if every letter is one of western European languages, else None.

    Returned with the text is the first word that is not ASCII.
    """
    text = content.decode("cp1252", errors="replace")
    if not {letter for letter in text if not letter.isascii()} <= _WESTERN:
        return None
    return text, next(word for word in re.findall(r"[^\s;,]+", text) if not word.isascii())[:40]
