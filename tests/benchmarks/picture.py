"""Make the README's picture anew from a sample: ``python -m tests.benchmarks.picture``."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from PIL import Image

from hotspot.cli.demo import sample_recordings
from hotspot.jobs.analysis import analyse_recording, save_evidence

TARGET = Path(__file__).resolve().parents[2] / "sample_frames" / "evidence.jpg"
MOST_BYTES = 300_000
# What the README says it shows.
WEAKEST = "pulsed"


def main() -> None:
    wanted = sys.argv[1] if len(sys.argv) > 1 else WEAKEST
    folder = next(f for f in sample_recordings() if f.name == wanted)
    with tempfile.TemporaryDirectory() as made:
        saved = save_evidence(analyse_recording(folder), Path(made) / "evidence")
        with Image.open(saved[0]) as sheet:
            picture = sheet.convert("RGB")
    for width in (1600, 1400, 1200, 1000):
        height = round(picture.height * width / picture.width)
        small = picture.resize((width, height), Image.Resampling.LANCZOS)
        # Colours whole (subsampling 0): they are the message.
        small.save(TARGET, quality=86, subsampling=0, optimize=True)
        if TARGET.stat().st_size <= MOST_BYTES:
            break
    print(f"{TARGET.name}: {width} px wide, {TARGET.stat().st_size} bytes, from {folder.name}")


if __name__ == "__main__":
    main()
