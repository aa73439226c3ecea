"""Seeded changes to good inputs: of any byte, or of a value or name so that the form holds."""

from __future__ import annotations

import re
from functools import cache
from random import Random

TOKENS = (b"NaN", b"Infinity", b"-Infinity", b"1e999", b"-1e999", b"null", b"true", b"[]", b"{}",
          b"0", b"-1", b"-0.0", b"1e-320", b"85.0", b"127.9375", b"999999999999999999999999",
          b"\x00", b"\xff\xfe", b"\xc3", b"[" * 60, b"{" * 60, b'"', b"'", b",", b".", b"\n",
          b"\r", b" ", b"%", b"#", b"/", b"$SYS", b"degF", b"gal_us", b"L", b"mL", b"K", b"0x10",
          b"1_000", b"55,5", "½".encode(), "٣".encode(), "\u202e".encode(), b"hold", b"reset",
          b"observe", b"__class__", b"a" * 300, b"9" * 400)
# Inside quotes nothing of these ends the value or the file.
_INSIDE = tuple(token for token in TOKENS
                if not {*b'"\n\r\x00'} & {*token} and token not in (b"\xff\xfe", b"\xc3"))
_NUMBERS = (b"0", b"-0", b"-1", b"1", b"0.5", b"2", b"7", b"12.5", b"30", b"64.9", b"65.1", b"80",
            b"100", b"110.5", b"300", b"1000", b"5001", b"20001", b"999999999999", b"1000000000000",
            b"0.000000000001", b"1e999", b"nan", b"inf", b"-inf", b"NaN", b"Infinity", b"1e5")
_BARE = (b"nan", b"inf", b"-inf", b"true", b"false", b"0", b"1", b"-1", b"1.5", b"[]", b"{}",
         b'""', b"1e999", b'["1 L"]', b"1979-05-27", b"9" * 400, b"NaN", b"-Infinity", b"null")
# A quoted text, a bare value after a sign, or the name before an equals sign.
_PIECE = re.compile(rb'("[^"\n]*"|\b[A-Za-z_]\w*(?= *=)'
                    rb"|(?<=[=:,\[ ])(?:true|false|null|-?[0-9][0-9.e+-]*)(?=[\n,\] }]|\Z))")
_NUMBER = re.compile(rb"-?[0-9]+(?:\.[0-9]+)?")


def mutated(seeds: tuple[bytes, ...], rng: Random) -> bytes:
    """One input: a seed with up to six changes, now and then pure noise."""
    random = rng.random  # a quarter of a long run goes in here, so no randrange

    def below(n: int) -> int:
        return int(random() * n)

    if random() < 0.02:
        return rng.randbytes(below(64))
    data = bytearray(seeds[below(len(seeds))])
    for _ in range(1 + below(6)):
        at, what = below(len(data) + 1), below(6)
        if what == 0:
            data[at:at] = TOKENS[below(len(TOKENS))]
        elif what == 1 and data:
            data[at % len(data)] ^= 1 << below(8)
        elif what == 2:
            del data[at:at + 1 + below(11)]
        elif what == 3:
            data[at:at + 1 + below(11)] = TOKENS[below(len(TOKENS))]
        elif what == 4:
            piece = data[at:at + 1 + below(23)]
            place = below(len(data) + 1)
            data[place:place] = piece
        else:
            other = seeds[below(len(seeds))]
            data[at:] = other[below(len(other) + 1):]
    return bytes(data[:4096])


@cache
def _pieces(seed: bytes) -> tuple[tuple[bytes, ...], tuple[int, ...], tuple[int, ...]]:
    """The seed cut at its values and names; the places of the values; the ends of its lines."""
    parts = tuple(_PIECE.split(seed))  # every second one is a value or a name
    lines = tuple(at for at, part in enumerate(parts) if at % 2 == 0 and b"\n" in part)
    return parts, tuple(range(1, len(parts), 2)), lines


def mutated_values(seeds: tuple[bytes, ...], rng: Random) -> bytes:
    """One input whose form mostly holds: up to three values or names changed, lines gone or moved.

    Every second is mutated() instead.
    """
    random = rng.random

    def below(n: int) -> int:
        return int(random() * n)

    if random() < 0.5:
        return mutated(seeds, rng)
    whole, places, lines = _pieces(seeds[below(len(seeds))])
    parts = list(whole)
    for _ in range(1 + below(3)):
        at, what = places[below(len(places))], below(16)
        old = parts[at]
        quoted = old[:1] == b'"'
        inside = old[1:-1] if quoted else old
        if what < 7:  # another number, the unit stays
            new = _NUMBERS[below(len(_NUMBERS))]
            parts[at] = _NUMBER.sub(lambda _, new=new: new, old, count=1)  # type: ignore[misc]
        elif what < 9:  # what stands elsewhere, value or name
            parts[at] = whole[places[below(len(places))]]
        elif what == 9:
            parts[at] = _BARE[below(len(_BARE))]
        elif what == 10 and quoted:
            parts[at] = b'"' + _INSIDE[below(len(_INSIDE))] + b'"'
        elif what < 14:  # an edit inside
            cut = below(len(inside) + 1)
            token = _INSIDE[below(len(_INSIDE))] if what < 13 else b""
            edited = inside[:cut] + token + inside[cut + below(3):]
            parts[at] = b'"' + edited + b'"' if quoted else edited
        elif len(lines) > 1:  # a line gone, or moved
            cut = below(len(lines) - 1)
            first, last = lines[cut] + 1, lines[cut + 1]
            if what == 15:
                parts[lines[below(len(lines))]] += b"".join(whole[first:last]) + b"\n"
            parts[first:last] = [b""] * (last - first)
    return b"".join(parts)[:4096]
