"""How wide words are in the letters of pages and pictures, without opening the font's files.

SVG breaks no lines and moves nothing away, so whoever places words must know how long they are.
"""

from __future__ import annotations

UNITS = 2048
"""Of which an em has so many, as the font counts."""
_PLAIN = (
    651, 821, 942, 1716, 1303, 1946, 1597, 563, 799, 799, 1024, 1716, 651, 739, 651, 690, 1303, 1303, 1303,
    1303, 1303, 1303, 1303, 1303, 1303, 1303, 690, 690, 1716, 1716, 1716, 1087, 2048, 1401, 1405, 1430, 1577,
    1294, 1178, 1587, 1540, 604, 604, 1343, 1141, 1767, 1532, 1612, 1235, 1612, 1423, 1300, 1251, 1499, 1401,
    2025, 1403, 1251, 1403, 799, 690, 799, 1716, 1024, 1024, 1255, 1300, 1126, 1300, 1260, 721, 1300, 1298, 569,
    569, 1186, 569, 1995, 1298, 1253, 1300, 1300, 842, 1067, 803, 1298, 1212, 1675, 1212, 1212, 1075, 1303, 690,
    1303, 1716,
)  # fmt: skip
"""Advance widths of the printable characters of ASCII, from space to tilde: table ``hmtx`` of DejaVu Sans 2.37."""
_BOLD = (
    713, 934, 1067, 1716, 1425, 2052, 1786, 627, 936, 936, 1071, 1716, 778, 850, 778, 748, 1425, 1425, 1425,
    1425, 1425, 1425, 1425, 1425, 1425, 1425, 819, 819, 1716, 1716, 1716, 1188, 2048, 1585, 1561, 1503, 1700,
    1399, 1399, 1681, 1714, 762, 762, 1587, 1305, 2038, 1714, 1741, 1501, 1741, 1577, 1475, 1397, 1663, 1585,
    2259, 1579, 1483, 1485, 936, 748, 936, 1716, 1024, 1024, 1382, 1466, 1214, 1466, 1389, 891, 1466, 1458, 702,
    702, 1362, 702, 2134, 1458, 1407, 1466, 1466, 1010, 1219, 979, 1458, 1335, 1892, 1321, 1335, 1192, 1458,
    748, 1458, 1716,
)  # fmt: skip
"""The same of its bold face."""
_OTHERS, _OTHERS_BOLD = 1716, 1786
"""Mathematical signs, the widest of what else is common in labels."""


def text_width(words: str, size: float, *, bold: bool = False) -> float:
    """Length of ``words`` set at ``size``, in the unit of ``size``; on the safe side where a character is unusual."""
    widths, other = (_BOLD, _OTHERS_BOLD) if bold else (_PLAIN, _OTHERS)
    return size / UNITS * sum(widths[ord(one) - 32] if " " <= one <= "~" else other for one in words)
