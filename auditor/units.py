"""Units that several rooms reckon in."""

from __future__ import annotations

from typing import Final

__all__ = [
    "BYTE_BITS",
    "BYTE_MIDDLE",
    "DAY_CHARACTERS",
    "DAY_S",
    "HOUR_S",
    "MB",
    "MINUTE_S",
    "SECOND_CHARACTERS",
    "WHITE_16",
]

BYTE_BITS: Final = 8
"""Bits of a byte, and of a code value of ordinary pictures."""
BYTE_MIDDLE: Final = 2 ** (BYTE_BITS - 1)
"""Code value in the middle of 8 bits: what a JPEG's block without coefficients gives (ITU-T T.81, level shift)."""
WHITE_16: Final = 2 ** (2 * BYTE_BITS) - 1
"""Code value of white in 16 bits."""
MB: Final = 2**20
"""Bytes of a megabyte, as memory is counted."""
MINUTE_S: Final = 60
"""Seconds of a minute."""
HOUR_S: Final = 3600
"""Seconds of an hour."""
DAY_S: Final = 86_400
"""Seconds of a day."""
DAY_CHARACTERS: Final = 10
"""Characters of an ISO 8601 time up to its day, 2024-05-01."""
SECOND_CHARACTERS: Final = 19
"""Characters of an ISO 8601 time up to its second, 2024-05-01T06:00:00."""
