"""Do the probabilities hold, and what do noisy clicks cost: ``python -m tests.benchmarks.rank``.

Recordings of two makers: practice scenes on the demo board with a fault drawn by lot, and the
recordings of `tests.benchmarks.exam`, which share no code with the line. Each is analysed twice:
with its clicked landmarks, and with the true registration in their place. Printed: of suspects
given a probability, how many were the fault (all of them, and the first ones); and how often the
first suspect was right with the clicks and with the truth.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hotspot.board import Board, Role, find_roles
from hotspot.errors import HotspotError
from hotspot.files.boards import load_board
from hotspot.files.recordings import load_recording
from hotspot.find import find
from hotspot.finding import HOT_SPOT
from hotspot.frame import Recording
from hotspot.practice import CameraSettings, Switching, build_scene, simulate_recording
from hotspot.register.registration import PlaneMap, Registration
from tests.benchmarks.exam.write import make_case

DEMO = Path(__file__).resolve().parents[2] / "sample_frames" / "board"
BINS = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.97, 1.0001)
KINDS = ("ordinary_logged", "weak_logged", "weak_unlogged", "pulsed_below_noise",
         "inductor_hotter", "two_shorts", "ic_fault", "grey_video")  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """What was said of one recording.

    Attributes
    ----------
    maker, name
        Where it came from.
    faulty
        The shorted parts.
    clicked, true
        Suspects by reference with their probabilities, by clicked landmarks and true registration.
    """

    maker: str
    name: str
    faulty: tuple[str, ...]
    clicked: dict[str, float]
    true: dict[str, float]


def exact(board_from_thermal: NDArray[np.float64]) -> Registration:
    """Return a registration without error."""
    h = board_from_thermal / board_from_thermal[2, 2]
    plane = PlaneMap(matrix=h, parameter_cov=np.zeros((8, 8)))
    return Registration(method="landmarks", board_from_thermal=plane, rms_px=0.0)


def suspects_of(
    recording: Recording, board: Board, registration: Registration | None
) -> dict[str, float]:
    finding = find(recording, board=board, registration=registration)
    if finding.verdict != HOT_SPOT:
        return {}
    return {s.ref: s.probability for s in finding.suspects}


def practice_answers(count: int, first: int) -> Iterator[Answer]:
    board = load_board(DEMO)
    for seed in range(first, first + count):
        rng = np.random.default_rng([seed, 9])
        rail = str(rng.choice(["3V3", "VSYS", "1V8", "VSENS"]))
        roles = find_roles(board, rail=rail)
        shunts = [p.ref for p, r in zip(board.parts, roles, strict=True)
                  if r is Role.SHUNT and p.kind == "capacitor"]  # fmt: skip
        camera = CameraSettings(
            width=80 * (1 + seed % 2), height=60 * (1 + seed % 2), netd_mk=60, blur_px=0.6,
            flicker_mk=8, scale=0.03, drift_k=0.4, row_noise_mk=4, column_noise_mk=4,
        )  # fmt: skip
        fault = str(rng.choice(shunts))
        scene = build_scene(board, rail=rail, fault=fault, short_ohm=0.12, camera=camera)
        logged = bool(rng.random() < 0.6)
        made = simulate_recording(
            scene,
            # From lost in the noise to plain: heat goes with the square of the current.
            Switching(edges_s=(8.0,), volts=5.0, amps=float(10 ** rng.uniform(-1.35, -0.3)),
                      logged=logged),
            duration_s=24.0,
            rng=np.random.default_rng(seed),
        )  # fmt: skip
        yield Answer(
            "practice",
            f"{rail}-{seed}",
            (fault,),
            suspects_of(made.recording, board, None),
            suspects_of(made.recording, board, exact(np.linalg.inv(made.truth.thermal_from_board))),
        )


def exam_answers(folder: Path) -> Iterator[Answer]:
    for path in sorted(folder.glob("*/truth.json")):
        truth = json.loads(path.read_text())
        if truth["cold"] or "landmarks" not in truth:
            continue
        board = load_board(path.parent / "board")
        recording = load_recording(path.parent / "recording")
        registration = exact(np.linalg.inv(np.array(truth["thermal_from_board"])))
        try:
            yield Answer(
                "exam",
                path.parent.name,
                tuple(truth["faulty"]),
                suspects_of(recording, board, None),
                suspects_of(recording, board, registration),
            )
        except HotspotError as error:
            print(f"{path.parent.name}: {error.sentence}", flush=True)


def first_of(suspects: dict[str, float]) -> str | None:
    return max(suspects, key=lambda r: suspects[r]) if suspects else None


def reliability(pairs: list[tuple[float, bool]]) -> list[str]:
    """Return lines: bin, mean probability said, share that were the fault with its error, count."""
    lines = []
    for low, high in pairwise(BINS):
        inside = [(p, hit) for p, hit in pairs if low <= p < high]
        if not inside:
            continue
        said, true = np.mean(np.array(inside, dtype=float), axis=0)
        n = len(inside)
        # Wilson's interval (1927) of one standard error.
        middle, half = (true + 0.5 / n) / (1 + 1 / n), np.sqrt(true * (1 - true) / n + 0.25 / n**2)
        half /= 1 + 1 / n
        span = f"{max(0, middle - half):.2f} to {min(1, middle + half):.2f}"
        lines.append(
            f"  {low:.2f} to {min(high, 1):.2f}   said {said:.3f}   true {true:.3f} ({span})"
            f"   {n:>5}"
        )
    return lines


def table(answers: list[Answer]) -> str:
    out: list[str] = []
    for maker in (*sorted({a.maker for a in answers}), "all"):
        mine = [a for a in answers if maker in ("all", a.maker)]
        told = [a for a in mine if a.clicked]
        # A part that is one of two shorts is a right name.
        every = [(p, r in a.faulty) for a in told for r, p in a.clicked.items()]
        best = [(max(a.clicked.values()), first_of(a.clicked) in a.faulty) for a in told]
        out += [f"\n{maker}: {len(mine)} recordings, a part named in {len(told)}"]
        out += ["every suspect: probability, share that were the fault, number"]
        out += reliability(every)
        out += ["first suspects"]
        out += reliability(best)
        if best:
            brier = float(np.mean([(p - hit) ** 2 for p, hit in best]))
            rest = float(np.mean([p for p, _ in best]) - np.mean([hit for _, hit in best]))
            out += [
                f"Brier score of first suspects {brier:.3f}; said less true on average {rest:+.3f}"
            ]
        clicked = sum(first_of(a.clicked) in a.faulty for a in mine)
        true = sum(first_of(a.true) in a.faulty for a in mine)
        points = 100 * (clicked - true) / max(1, len(mine))
        # Paired: only recordings in which the two differ say anything (McNemar 1947).
        differ = sum((first_of(a.clicked) in a.faulty) != (first_of(a.true) in a.faulty)
                     for a in mine)  # fmt: skip
        error = 100 * np.sqrt(differ) / max(1, len(mine))
        out += [
            f"first suspect right: clicked landmarks {clicked}/{len(mine)}, true registration "
            f"{true}/{len(mine)}: {points:+.1f} points (standard error {error:.1f})"
        ]
    return "\n".join(out)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--practice", type=int, default=40, help="practice recordings")
    parser.add_argument("--exam", type=int, default=2, help="exam recordings a kind")
    parser.add_argument("--first", type=int, default=30_000, help="first seed")
    parser.add_argument("--folder", type=Path, help="exam recordings made before")
    parser.add_argument("--save", type=Path, help="also write the answers as JSON lines")
    arguments = parser.parse_args()
    answers: list[Answer] = []

    def take(answer: Answer) -> None:
        answers.append(answer)
        if arguments.save is not None:
            with arguments.save.open("a") as file:
                file.write(json.dumps(asdict(answer)) + "\n")

    for answer in practice_answers(arguments.practice, arguments.first):
        take(answer)
    if arguments.folder is not None:
        for answer in exam_answers(arguments.folder):
            take(answer)
    elif arguments.exam:
        with tempfile.TemporaryDirectory() as text:
            folder = Path(text)
            for kind in KINDS:
                for seed in range(arguments.first, arguments.first + arguments.exam):
                    make_case(kind, seed, folder / f"{kind}-{seed}")
            for answer in exam_answers(folder):
                take(answer)
    print(table(answers))


if __name__ == "__main__":
    main()
