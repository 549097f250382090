"""Make the README's pictures of the bench app anew: ``python -m tests.benchmarks.pages``.

A practice job in a real Chromium: Live while the short warms, then the Finding, dark.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from PIL import Image

from tests.app.browser import bench_server, chromium
from tests.app.flows import click, practice_job, press, settled, take_baseline

FOLDER = Path(__file__).resolve().parents[2] / "sample_frames"
WIDTH = 1000
WARM_S = 25


def keep(shot: bytes, name: str) -> None:
    with Image.open(io.BytesIO(shot)) as page:
        picture = page.convert("RGB")
    height = round(picture.height * WIDTH / picture.width)
    path = FOLDER / name
    small = picture.resize((WIDTH, height), Image.Resampling.LANCZOS)
    small.save(path, quality=88, subsampling=0, optimize=True)
    print(f"{name}: {path.stat().st_size} bytes")


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="hotspot-pages-") as name:
        folder = Path(name)
        job = practice_job(folder)
        with bench_server(folder) as address, chromium() as browser:
            page = browser.new_page(viewport={"width": 1366, "height": 768}, color_scheme="light")
            page.set_default_timeout(120_000)
            page.goto(f"{address}/live?job={job}")
            click(page, "Open camera")
            page.get_by_text("new frames/s").wait_for()
            take_baseline(page)
            press(page, "o")
            page.get_by_text("ON", exact=True).wait_for()
            page.get_by_text("Best suspect so far").wait_for()
            page.wait_for_timeout(1000 * WARM_S)
            keep(page.screenshot(), "bench.jpg")
            page.emulate_media(color_scheme="dark")
            press(page, "s")
            page.get_by_role("button", name="Note: taken off").wait_for()
            settled(page)
            keep(page.screenshot(), "bench-finding.jpg")


if __name__ == "__main__":
    main()
