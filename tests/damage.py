"""Ways to damage the content of a file, each from (content, random.Random) to other bytes."""

from __future__ import annotations

import re
import struct


def changed_bytes(content, rng):
    changed = bytearray(content)
    for _ in range(rng.randint(1, 8)):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def changed_lines(content, rng):
    lines = content.split(b"\n")
    for _ in range(min(rng.randint(1, 4), len(lines))):
        i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
        change = rng.choice(["drop", "repeat", "swap"])
        if change == "drop":
            lines.pop(i)
        elif change == "repeat":
            lines.insert(j, lines[i])
        else:
            lines[i], lines[j] = lines[j], lines[i]
    return b"\n".join(lines)


def changed_number(content, rng):
    numbers = list(re.finditer(rb"-?\d+\.\d+", content))
    if not numbers:
        return changed_bytes(content, rng)
    number = rng.choice(numbers)
    value = rng.uniform(-1, 1) * 10.0 ** rng.randint(-320, 308)
    return content[: number.start()] + repr(value).encode() + content[number.end() :]


def swapped_values(content, rng):
    lines = content.split(b"\n")
    valued = [k for k, line in enumerate(lines) if b" = " in line]
    if not valued:
        return swapped_cells(content, rng)
    i, j = (rng.choice(valued) for _ in range(2))
    (key1, value1), (key2, value2) = lines[i].split(b" = ", 1), lines[j].split(b" = ", 1)
    lines[i], lines[j] = key1 + b" = " + value2, key2 + b" = " + value1
    return b"\n".join(lines)


def swapped_cells(content, rng):
    cells = content.split(b",")
    i, j = rng.randrange(len(cells)), rng.randrange(len(cells))
    cells[i], cells[j] = cells[j], cells[i]
    return b",".join(cells)


def changed_size(content, rng):
    """A number of the header blown up, as four bytes or as digits."""
    if rng.random() < 0.5:
        digits = list(re.finditer(rb"\d+", content))
        if digits:
            found = rng.choice(digits)
            return content[: found.start()] + b"9" * rng.choice([1, 5, 12, 25, 5000]) + content[found.end() :]
    at = rng.randrange(min(len(content), 60))
    return content[:at] + struct.pack("<I", rng.choice([0, 1, 2**16, 2**31, 2**32 - 1])) + content[at + 4 :]


def with_odd_text(content, rng):
    at = rng.randrange(len(content))
    odd = rng.choice(
        [
            b"\0",
            b'"',
            b"\r",
            b"\r\n\r\n",
            b"\xef\xbb\xbf",
            b"\xff",
            b"\xe2\x80\xa8",
            b"'",
            b",,,",
            b"[{",
            b"1e999",
            b"\x1b[31m",
            b"-",
            b"_1",
        ]
    )
    return content[:at] + odd * rng.choice([1, 1, 300]) + content[at:]


def cut_short(content, rng):
    return content[: rng.randrange(len(content))]


def any_bytes(content, rng):
    return rng.randbytes(rng.randint(0, 200))


CHANGES = [
    changed_bytes,
    changed_lines,
    changed_number,
    changed_size,
    swapped_values,
    with_odd_text,
    cut_short,
    any_bytes,
]
