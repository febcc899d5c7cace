"""Damage to bytes and to parsed tables, drawn from a random generator."""

from __future__ import annotations

import copy
import datetime
import json
import math
import random
import struct
from typing import Any

#: Bytes that mean something in one of the formats.
BYTES = b"\0\t\n\r \"#'+,-./0129:<=>E[\\]_aefnvxz{}\x1a\x7f\x80\xc3\xef\xff"
#: Numbers at and past the edges of what a file can hold, as text.
NUMBERS = (
    b"nan", b"-nan", b"inf", b"-inf", b"Infinity", b"1e308", b"1e309", b"-1e309", b"1e-320", b"-0",
    b"0", b"-1", b"1", b"4294967295", b"4294967296", b"2147483648", b"18446744073709551616",
    b"9" * 40, b"9" * 400, b"0." + b"0" * 350 + b"1", b"1e", b"1e+", b"1.", b".5", b".", b"+-1",
    b"1_0", b"0x10", b"1,5", b"1e99999999999", b"true", b"false", b'"1"', b"[]", b"{}", b"",
)  # fmt: skip
#: The same for four bytes, little-endian.
WORDS = (
    *(struct.pack("<f", x) for x in (math.nan, math.inf, -math.inf, 3.4e38, 1e-45, -0.0, 1e8)),
    *(struct.pack("<I", x) for x in (0, 1, 2, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0x7F800001)),
)
#: Values a table may hold where another kind was meant.
VALUES: tuple[Any, ...] = (
    0, 1, -1, 0.0, -0.0, 1e-300, 1e300, -1e300, 10**15, 2**63 - 1, -(2**63), math.nan, math.inf,
    -math.inf, True, False, "", "?", "x", "0", "10", "nan", "housing", "never", "free", " ", "\n",
    "é" * 200, "a\0b", "../x.stl", "/", "x" * 5000, [], [[]], [0, 0, 0], [1, 2, 3], [1, 2],
    [math.nan, 0, 0], [1e300, 1e300, 1e300], ["housing"], ["housing", "housing"], {}, {"x": 1},
    [{}], [[[[[[1]]]]]], datetime.date(2020, 1, 1), datetime.date(9999, 12, 31),
    datetime.datetime(2030, 1, 1, 12, tzinfo=datetime.UTC), datetime.time(1, 2, 3),
)  # fmt: skip


def damage(rng: random.Random, content: bytes, others: tuple[bytes, ...] = ()) -> bytes:
    """One to six hurts to some bytes."""
    data = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        _hurt(rng, data, others)
    return bytes(data)


def _hurt(rng: random.Random, data: bytearray, others: tuple[bytes, ...]) -> None:
    i = rng.randrange(len(data) + 1)
    span = rng.choice((1, 2, 4, 8, 50, rng.randrange(1, 400)))
    kind = rng.randrange(15)
    if kind == 0 and data:
        data[i % len(data)] ^= 1 << rng.randrange(8)
    elif kind == 1 and data:
        data[i % len(data)] = rng.choice(BYTES)
    elif kind == 2:
        del data[i : i + span]
    elif kind == 3:
        del data[i:]
    elif kind == 4:
        data[i:i] = data[i : i + span] * rng.choice((1, 1, 2, 20))
    elif kind == 5:
        j = rng.randrange(len(data) + 1)
        data[i:i] = data[j : j + span]
    elif kind == 6 and others:
        other = rng.choice(others)
        j = rng.randrange(len(other) + 1)
        data[i : i + rng.choice((0, span))] = other[j : j + span]
    elif kind == 7:
        data[i:i] = bytes(rng.choice(BYTES) for _ in range(rng.randrange(1, 9)))
    elif kind == 8:
        data[i : i + 4] = rng.choice(WORDS)
    elif kind == 9:
        _number(rng, data)
    elif kind == 10:
        data[:] = _line_ends(rng, bytes(data))
    elif kind == 11:
        _swap_lines(rng, data)
    elif kind == 12:
        _length_field(rng, data)
    elif kind == 13:
        _header(rng, data)
    elif kind == 14:
        _number(rng, data)


def _number(rng: random.Random, data: bytearray) -> None:
    """Another number where a number stands in text."""
    spots = [k for k in range(len(data)) if data[k : k + 1].isdigit()]
    if not spots:
        return
    i = j = rng.choice(spots)
    while i > 0 and data[i - 1 : i] in (b"-", b"+", b".", b"e", *_DIGITS):
        i -= 1
    while j < len(data) and data[j : j + 1] in (b"-", b"+", b".", b"e", *_DIGITS):
        j += 1
    data[i:j] = rng.choice(NUMBERS)


_DIGITS = tuple(b"%d" % n for n in range(10))


def _line_ends(rng: random.Random, data: bytes) -> bytes:
    plain = data.replace(b"\r\n", b"\n")
    end = rng.choice((b"\r\n", b"\r", b"\n\r", b"\n\n", b" ", b"\\\n", b"\x0b", b"\x85"))
    if rng.random() < 0.5:
        return plain.replace(b"\n", end, rng.randrange(1, 4))
    return plain.replace(b"\n", end)


def _swap_lines(rng: random.Random, data: bytearray) -> None:
    lines = bytes(data).split(b"\n")
    i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[i], lines[j] = lines[j], lines[i]
    if rng.random() < 0.3:
        del lines[j]
    data[:] = b"\n".join(lines)


def _length_field(rng: random.Random, data: bytearray) -> None:
    """A count that lies: the 32-bit one of a binary STL, or one at any place."""
    at = 80 if rng.random() < 0.6 else rng.randrange(len(data) + 1)
    if len(data) >= at + 4:
        (old,) = struct.unpack_from("<I", data, at)
        new = rng.choice((old + 1, old - 1, 0, old * 2, old << 8, 2**32 - 1, rng.getrandbits(32)))
        struct.pack_into("<I", data, at, new % 2**32)


def _header(rng: random.Random, data: bytearray) -> None:
    """Another beginning."""
    heads = (
        b"solid ", b"SOLID\n", b"\xef\xbb\xbf", b"\xff\xfe", b"PK\x03\x04", b"ply\n", b"<html>",
        b"<?xml version='1.0'?>", b"version https://git-lfs", b"\x1f\x8b", b"\n\n", b"#", b"{",
    )  # fmt: skip
    head = rng.choice(heads)
    data[0 : rng.choice((0, len(head)))] = head


# -- tables ---------------------------------------------------------------------------------------

Path = tuple[Any, ...]


def places(data: Any, here: Path = ()) -> list[Path]:
    """Paths of everything in nested tables and lists, outermost first."""
    found = [here] if here else []
    if isinstance(data, dict):
        for key, inner in data.items():
            found += places(inner, (*here, key))
    elif isinstance(data, list):
        for number, inner in enumerate(data):
            found += places(inner, (*here, number))
    return found


def edit(data: Any, place: Path, kind: str, value: Any, other: Path) -> None:
    """Change nested tables at one place.

    ``kind``: "set" to ``value``, "delete", "rename" the key, "double" (a list's item once more),
    "wrap" in a list, "fill" (what stands at ``other``), "add" an unknown key.
    """
    holder = data
    for step in place[:-1]:
        holder = holder[step]
    last = place[-1]
    if kind == "set":
        holder[last] = copy.deepcopy(value)
    elif kind == "delete":
        del holder[last]
    elif kind == "wrap":
        holder[last] = [holder[last]]
    elif kind == "fill":
        there = data
        for step in other:
            there = there[step]
        holder[last] = copy.deepcopy(there)
    elif kind == "double" and isinstance(holder, list):
        holder.insert(last, copy.deepcopy(holder[last]))
    elif kind == "add" and isinstance(holder[last], dict):
        holder[last]["unheard_of"] = copy.deepcopy(value)
    elif kind in ("rename", "double", "add") and isinstance(holder, dict):
        text = str(last)
        holder[text[:-1] + "s" if len(text) > 1 else "xx"] = holder.pop(last)


KINDS = ("set", "set", "set", "delete", "rename", "double", "wrap", "fill", "add")


def tables(rng: random.Random, data: dict[str, Any]) -> dict[str, Any]:
    """A copy of nested tables with one to three edits."""
    changed = copy.deepcopy(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        known = places(changed)
        if known:
            edit(
                changed, rng.choice(known), rng.choice(KINDS), rng.choice(VALUES), rng.choice(known)
            )
    return changed


def to_toml(data: dict[str, Any]) -> str:
    """Tables as TOML, one top-level key a line."""
    return "".join(f"{_text(key)} = {_value(value)}\n" for key, value in data.items())


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, datetime.date | datetime.datetime | datetime.time):
        return value.isoformat()
    return repr(value)


def _text(text: object) -> str:
    # DEL is the one character JSON leaves as it is and TOML refuses.
    return json.dumps(str(text)).replace("\x7f", "\\u007f")
