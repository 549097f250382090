"""``python -m tests.benchmarks.exam make OUT`` and ``… score OUT``."""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path


def make(args: argparse.Namespace) -> None:
    """Write the cases that are not there yet."""
    from tests.benchmarks.exam.kinds import KINDS
    from tests.benchmarks.exam.write import make_case

    names = args.kinds.split(",") if args.kinds else list(KINDS)
    unknown = [n for n in names if n not in KINDS]
    if unknown:
        sys.exit(f"no kind {', '.join(unknown)}; there are {', '.join(KINDS)}")
    args.out.mkdir(parents=True, exist_ok=True)
    wanted = [
        (name, args.seed + k, args.out / f"{name}-{args.seed + k}", args.snr)
        for k in range(args.per_kind)
        for name in names
    ]
    wanted = [w for w in wanted if not w[2].exists()]
    with ProcessPoolExecutor(args.jobs, mp_context=get_context("spawn")) as pool:
        for text in pool.map(make_case, *zip(*wanted, strict=True)) if wanted else ():
            print(text, flush=True)


def score(args: argparse.Namespace) -> None:
    """Mark the answers and print them."""
    from tests.benchmarks.exam.score import line, run, table

    kinds = set(args.kinds.split(",")) if args.kinds else None
    marks = []
    file = args.out_file.open("w") if args.out_file else None
    for m in run(args.out, jobs=args.jobs, limit=args.limit, kinds=kinds):
        marks.append(m)
        print(line(m), flush=True)
        if file:
            file.write(json.dumps(m) + "\n")
            file.flush()
    if file:
        file.close()
    print("\n" + table(marks) if marks else f"no cases in {args.out}")


def main() -> None:
    """Read the arguments."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.exam", description=__doc__)
    commands = parser.add_subparsers(required=True)
    m = commands.add_parser("make", help="write recordings with known truth")
    m.add_argument("out", type=Path)
    m.add_argument("--seed", type=int, default=1000)
    m.add_argument("--per-kind", type=int, default=6)
    m.add_argument("--snr", type=float, help="the ideal observer's; as the kind has it by default")
    m.set_defaults(do=make)
    s = commands.add_parser("score", help="run hotspot on them and mark the answers")
    s.add_argument("out", type=Path)
    s.add_argument("--limit", type=int, help="cases a kind")
    s.add_argument("--out", dest="out_file", type=Path, help="also write the marks as JSON lines")
    s.set_defaults(do=score)
    for p in (m, s):
        p.add_argument("--kinds", help="comma-separated; all by default")
        p.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    args.do(args)


if __name__ == "__main__":
    main()
