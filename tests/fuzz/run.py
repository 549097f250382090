"""Damage for as long as one likes: ``python -m tests.fuzz.run [--minutes 10] [--target NAME]``.

Each reader runs in a process of its own with bounded memory (3 GB of addresses) and a limit on the
time of one file, so that a crash or a hang costs one process. A file answered in a new way joins
those that are damaged further. A file that breaks a reader is made smaller and kept in
``tests/fuzz/corpus/READER/``; exit code 1 says that there was one.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.fuzz.attack import outcome_of, smallest
from tests.fuzz.mutate import mutated
from tests.fuzz.targets import CORPUS, TARGETS, corpus_of

MOST_BYTES = 3 << 30
HANG_S = 30
MOST_KEPT = 400  # files that are damaged further
CURRENT = "current-input"


class Hang(BaseException):
    """One file took too long; no reader catches this."""


def keep(name: str, data: bytes) -> Path:
    folder = CORPUS / name.replace(" ", "_")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / hashlib.sha256(data).hexdigest()[:12]
    path.write_bytes(data)
    return path


def child(name: str, *, seconds: float, seed: int, scratch: Path) -> int:
    """Damage files for one reader; return how many broke it."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))

    def ring(*_: object) -> None:
        raise Hang

    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, ring)
    folder = scratch / "files"
    folder.mkdir()
    path, read = TARGETS[name](folder)
    rng = np.random.default_rng(seed)
    pool = [path.read_bytes(), *(p.read_bytes() for p in corpus_of(name))]
    kinds: set[str] = set()
    broken: set[str] = set()
    tried = 0
    stop_s = time.monotonic() + seconds
    while time.monotonic() < stop_s:
        data = mutated(pool[int(rng.integers(0, len(pool)))], rng, others=pool)[:300_000]
        (scratch / CURRENT).write_bytes(data)
        if hasattr(signal, "SIGALRM"):
            signal.alarm(HANG_S)
        try:
            found = outcome_of(path, data, read)
            kind, fault = found.kind, found.broken
        except Hang:
            kind, fault = "hang", f"took more than {HANG_S} s"
        finally:
            if hasattr(signal, "SIGALRM"):
                signal.alarm(0)
        tried += 1
        if fault and kind not in broken:
            broken.add(kind)
            if kind not in ("hang", "slow"):
                data = smallest(
                    data, is_broken=lambda d, kind=kind: outcome_of(path, d, read).kind == kind
                )
            print(f"  BROKE {name}: {fault} -> {keep(name, data)}", flush=True)
        if kind not in kinds and len(pool) < MOST_KEPT and kind not in broken:
            kinds.add(kind)
            pool.append(data)
    print(f"  {name}: {tried} files, {len(kinds)} kinds of answer, {len(broken)} broke it")
    return len(broken)


def run(names: list[str], *, minutes: float, seed: int) -> int:
    broke = 0
    seconds = 60.0 * minutes / len(names)
    for name in names:
        with tempfile.TemporaryDirectory(prefix="hotspot-fuzz-") as scratch:
            command = [sys.executable, "-m", "tests.fuzz.run", "--child", scratch, "--target", name,
                       "--minutes", str(seconds / 60.0), "--seed", str(seed)]  # fmt: skip
            try:
                code = subprocess.run(command, check=False, timeout=seconds + 180).returncode
            except subprocess.TimeoutExpired:
                code = -1
            if code not in (0, 1):
                current = Path(scratch) / CURRENT
                kept = keep(name, current.read_bytes()) if current.exists() else "nothing"
                print(f"  DIED {name}: exit code {code} -> {kept}", flush=True)
            broke += code != 0
    print(f"{len(names)} readers, {broke} broken")
    return broke


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--minutes", type=float, default=10.0, help="In all")
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--target", action="append", choices=sorted(TARGETS), help="Repeat")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    names = given.target or list(TARGETS)
    if given.child is not None:
        seconds = 60.0 * given.minutes
        sys.exit(int(child(names[0], seconds=seconds, seed=given.seed, scratch=given.child) > 0))
    sys.exit(int(run(names, minutes=given.minutes, seed=given.seed) > 0))


if __name__ == "__main__":
    main()
