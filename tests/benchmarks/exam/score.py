"""Marks the answers of ``hotspot find RECORDING --json`` against the truth."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

CHI2_95 = 5.991  # 95 % point of chi-square with two degrees of freedom (any table)
LEAST_CRB_PX = 0.1  # half a pixel grid's worth of optics; finer bounds say nothing of practice
NAMED = 0.5  # a part named with at least this probability counts as accused
LONGEST_S = 900.0
_RUN = "import sys; from hotspot.cli.main import main; sys.argv[0] = 'hotspot'; sys.exit(main())"


def ask(folder: Path) -> tuple[dict[str, Any] | None, str, float]:
    """Return the answer for a case, what went wrong ("" if nothing), and the seconds it took."""
    env = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    start = time.perf_counter()
    try:
        done = subprocess.run(
            [sys.executable, "-c", _RUN, "find", str(folder / "recording"), "--json"],
            capture_output=True, text=True, env=env, timeout=LONGEST_S, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return None, "took too long", LONGEST_S
    seconds = time.perf_counter() - start
    if done.returncode != 0:
        lines = done.stderr.strip().splitlines() or ["no message"]
        return None, f"exit {done.returncode}: {lines[-1][:200]}", seconds
    return json.loads(done.stdout), "", seconds


def mark(truth: dict[str, Any], answer: dict[str, Any] | None) -> dict[str, Any]:
    """Return the marks of one answer."""
    out: dict[str, Any] = {
        "kind": truth["kind"], "seed": truth["seed"], "cold": truth["cold"],
        "truth": truth["faulty"], "oracle_snr": None, "oracle_right": None, "crb_px": None,
    }  # fmt: skip
    if truth["oracle"]:
        out |= {
            "oracle_snr": truth["oracle"]["snr"],
            "oracle_right": truth["oracle"]["right_probability"],
            "crb_px": truth["oracle"]["crb_px"],
        }
    if answer is None:
        return out | {"verdict": "error", "right": False, "top": None, "probability": 0.0}
    suspects = sorted(answer["suspects"], key=lambda s: -s["probability"])
    top = suspects[0] if suspects else {"ref": None, "probability": 0.0}
    verdict = answer["verdict"]
    hot = verdict == "hot spot"
    if truth["cold"]:
        right = not hot and top["probability"] < NAMED
    else:
        right = hot and top["ref"] in truth["faulty"]
    out |= {
        "verdict": verdict, "right": right, "top": top["ref"], "probability": top["probability"],
        "top_is_true": top["ref"] in truth["faulty"],
        "frames": answer["frames"]["total"], "registration": answer["registration"]["method"],
        "injection": answer["injection"]["source"],
        "false_alarm_probability": answer["false_alarm_probability"],
    }  # fmt: skip
    if not truth["cold"] and hot and answer["spots"]:
        out |= _place(truth, answer, top)
    return out


def _place(truth: dict[str, Any], answer: dict[str, Any], top: dict[str, Any]) -> dict[str, Any]:
    """Return the position error of the named part's spot, or of the first, to the nearest source.

    After a knock a position in the first frames or in the last is as good.
    """
    index = top.get("spot")
    spot = answer["spots"][index if isinstance(index, int) else 0]
    at = np.array(spot["thermal_xy_px"], dtype=float)
    sources = truth["source_thermal_px"] + (truth["source_thermal_px_after_bump"] or [])
    off = min((at - np.array(s) for s in sources), key=lambda d: float(np.hypot(*d)))
    cov = np.array(spot["thermal_cov_px2"], dtype=float)
    error = float(np.hypot(*off))
    out = {
        "error_px": error,
        "error_over_bound": error / max(truth["oracle"]["crb_px"], LEAST_CRB_PX),
        "role": spot["role"],
    }
    if np.linalg.det(cov) > 0:
        out["inside_95"] = bool(off @ np.linalg.solve(cov, off) <= CHI2_95)
    return out


def run(folder: Path, *, jobs: int, limit: int | None, kinds: set[str] | None) -> Iterator[dict]:
    """Yield the marks of every case, `limit` cases a kind at most."""
    chosen, count = [], Counter()
    for path in sorted(folder.glob("*/truth.json")):
        truth = json.loads(path.read_text())
        if kinds and truth["kind"] not in kinds:
            continue
        count[truth["kind"]] += 1
        if limit is None or count[truth["kind"]] <= limit:
            chosen.append((path.parent, truth))

    def one(item: tuple[Path, dict]) -> dict:
        answer, fault, seconds = ask(item[0])
        marks = mark(item[1], answer) | {"case": item[0].name, "error": fault, "seconds": seconds}
        marks["ms_a_frame"] = 1e3 * seconds / marks["frames"] if marks.get("frames") else None
        return marks

    with ThreadPoolExecutor(jobs) as pool:
        yield from pool.map(one, chosen)


def line(m: dict[str, Any]) -> str:
    """Return one case as a line."""
    snr = "   -  " if m["oracle_snr"] is None else f"{m['oracle_snr']:6.1f}"
    place = ""
    if "error_px" in m:
        inside = {True: "in", False: "OUT", None: "?"}[m.get("inside_95")]
        place = f"{m['error_px']:6.2f} px ({m['error_over_bound']:5.1f} x bound, {inside} 95 %)"
    return (
        f"{m['case']:<24} {'right' if m['right'] else 'WRONG'}  snr {snr}  {m['verdict']:<11} "
        f"truth {'+'.join(m['truth']) or '-':<8} top {m['top'] or '-':<6} {m['probability']:.2f} "
        f"{place} {m['seconds']:5.1f} s {m['error']}"
    )


def table(marks: list[dict]) -> str:
    """Return the table by kind, the calibration of probabilities and the ellipses' coverage."""
    groups: dict[str, list[dict]] = defaultdict(list)
    for m in marks:
        groups[m["kind"]].append(m)
    out = [
        f"{'kind':<20} {'right':>7} {'oracle':>7} {'snr':>7} {'err px':>7} {'/bound':>7} "
        f"{'in 95%':>7} {'p top':>6} {'hot/no/?/err':>13} {'ms/frame':>8}"
    ]
    for kind, group in groups.items():
        verdicts = Counter(m["verdict"] for m in group)
        counts = "/".join(
            str(verdicts[v]) for v in ("hot spot", "no hot spot", "cannot tell", "error")
        )
        inside = [m["inside_95"] for m in group if "inside_95" in m]
        oracle = [m["oracle_right"] for m in group if m["oracle_right"] is not None]
        out.append(
            f"{kind:<20} {sum(m['right'] for m in group):>3}/{len(group):<3} "
            f"{(f'{sum(oracle):.1f}' if oracle else '-'):>7} {_median(group, 'oracle_snr'):>7} "
            f"{_median(group, 'error_px'):>7} {_median(group, 'error_over_bound'):>7} "
            f"{(f'{sum(inside)}/{len(inside)}' if inside else '-'):>7} "
            f"{_median(group, 'probability'):>6} {counts:>13} {_median(group, 'ms_a_frame'):>8}"
        )
    hot = [m for m in marks if not m["cold"]]
    cold = [m for m in marks if m["cold"]]
    out.append(
        f"\nall: {sum(m['right'] for m in hot)}/{len(hot)} shorts right, "
        f"{sum(_hinted(m) for m in hot)} more hinted at, "
        f"{sum(not m['right'] for m in cold)}/{len(cold)} false alarms on cold recordings"
    )
    out.append("probability of the first suspect (hot spots on shorted boards): said, true, cases")
    told = [m for m in hot if m["verdict"] == "hot spot" and m["top"]]
    for low, high in ((0, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.97), (0.97, 1.001)):
        inside = [m for m in told if low <= m["probability"] < high]
        if inside:
            said = np.mean([m["probability"] for m in inside])
            true = np.mean([m["top_is_true"] for m in inside])
            out.append(f"  {low:.2f}-{min(high, 1):.2f}  {said:.2f}  {true:.2f}  {len(inside)}")
    inside = [m["inside_95"] for m in hot if "inside_95" in m]
    if inside:
        out.append(f"95 % ellipses that hold the truth: {sum(inside)}/{len(inside)}")
    return "\n".join(out)


def _hinted(m: dict[str, Any]) -> bool:
    """Whether the right part was listed first without being named."""
    return bool(m["verdict"] == "cannot tell" and m["top_is_true"])


def _median(group: list[dict], key: str) -> str:
    values = [m[key] for m in group if m.get(key) is not None]
    return f"{np.median(values):.2f}" if values else "-"
