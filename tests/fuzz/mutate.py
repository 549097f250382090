"""Damage to files, seeded: cuts, flips, swaps, repeats, words that mean something, edge numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

# Pieces that have meaning to some parser.
TOKENS = (
    b"\x00", b"\xff", b"\xff\xfe", b"\xef\xbb\xbf", b"nan", b"inf", b"-inf", b"1e999", b"1e-999",
    b"-", b"+", b".", b'"', b"'", b'"""', b",,", b";", b"\t", b"\n", b"\r", b"\r\n", b"\x85", b"#",
    b"[", b"]]", b"{", b"}", b"[[", b"[" * 300, b"{" * 300, b"=", b":", b"<", b"/>", b"&a;",
    b"<!DOCTYPE a [", b"<!--", b"<![CDATA[", b"9" * 40, b"9" * 5000, b"-1", b"0", b"1", b"-0",
    b"0x10", b"1_000", b"true", b"false", b"null", b"NaN", b"Infinity", b"{SLASH}", b"\xc3\x28",
    b"\\u0000", b"\\ud800", b"%s", b"%n", b"{0}", b"{}", b"../../", b"/dev/zero",
    b"file:///",
    b"&#0;", b"999", b"317", b"\xed\xa0\x80", b"\xf0\x9f\x94\xa5", b"\xe2\x80\xae",
    "١٢".encode(), "½".encode(),
    "²".encode(), "Ω".encode(), "µ".encode(), b" " * 300, b"1979-05-27T07:32:00Z",
)  # fmt: skip
# Lengths, offsets and counts at which arithmetic turns over.
EDGES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF,
         0x7FFFFFFFFFFFFFFF, 0xFFFFFFFFFFFFFFFF)  # fmt: skip


def mutated(data: bytes, rng: np.random.Generator, *, others: Sequence[bytes] = ()) -> bytes:
    """Return damaged `data`, sometimes joined with pieces of `others`."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 7))):
        _damage(out, rng, others)
    return bytes(out)


def _damage(out: bytearray, rng: np.random.Generator, others: Sequence[bytes]) -> None:
    n = len(out)
    at = int(rng.integers(0, n + 1))
    how = int(rng.integers(0, 10))
    if how == 0 and n:
        out[at % n] ^= 1 << int(rng.integers(0, 8))
    elif how == 1 and rng.random() < 0.5:
        del out[at:]
    elif how == 2:
        del out[at : at + int(rng.integers(1, 50))]
    elif how in (3, 9):
        token = TOKENS[int(rng.integers(0, len(TOKENS)))]
        replaced = int(rng.integers(0, 2)) * len(token)
        out[at : at + replaced] = token
    elif how == 4:
        start = int(rng.integers(0, n + 1))
        out[at:at] = out[start : start + int(rng.integers(1, 200))]
    elif how == 5 and n:
        width = int(rng.choice([1, 2, 4, 8]))
        edge = EDGES[int(rng.integers(0, len(EDGES)))] & (256**width - 1)
        order = "little" if rng.random() < 0.5 else "big"
        at = min(at, max(n - width, 0))
        out[at : at + width] = edge.to_bytes(width, order)  # type: ignore[arg-type]
    elif how == 6 and others:
        other = others[int(rng.integers(0, len(others)))]
        start = int(rng.integers(0, len(other) + 1))
        out[at:] = other[start : start + 20_000]
    elif how == 7 and n:
        first, second = sorted(int(v) for v in rng.integers(0, n, 2))
        middle = int(rng.integers(first, second + 1))
        out[first:second] = out[middle:second] + out[first:middle]
    elif n:
        size = min(int(rng.integers(1, 9)), n)
        out[at % n : at % n + size] = rng.bytes(size)
