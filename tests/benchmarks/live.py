"""How fast the live picture reaches the screen: ``python -m tests.benchmarks.live [SECONDS]``.

A real server with the practice camera (256 × 192 at 36 Hz, analysis and recording running) and a
real Chromium. On every animation frame the page's canvas is looked at: which picture it shows, when
that was taken from the camera (`made`, the server's clock; browser and server share the machine),
and whether its pixels are others than before. Printed: pictures shown a second, and time from
frame to screen, with and without the heat laid over the board photo.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from hotspot.jobs.drafts import Drafts
from hotspot.jobs.practice_job import open_practice_job
from hotspot.store.jobs import open_store
from tests.app.browser import bench_server, chromium

TARGET_FPS, TARGET_P95_MS = 30.0, 60.0
PROBE = """(seconds) => new Promise((done) => {
  const find = (root) => {
    const e = root.querySelector("canvas[aria-label='Live thermal picture']");
    if (e) return e;
    for (const x of root.querySelectorAll('*')) if (x.shadowRoot) {
      const f = find(x.shadowRoot); if (f) return f; }
    return null; };
  const canvas = find(document), context = canvas.getContext('2d');
  const rows = []; let last = -1, sum = -1, frames = 0; const start = performance.now();
  const tick = () => { frames++;
    const number = +canvas.dataset.number;
    if (number !== last) {
      const latency = Date.now() - (+canvas.dataset.made);
      const pixels = context.getImageData(0, canvas.height >> 1, canvas.width, 1).data;
      let now = 0;
      for (let i = 0; i < pixels.length; i++) now = (now * 31 + pixels[i]) | 0;
      rows.push([performance.now(), number, latency, now !== sum ? 1 : 0]);
      last = number; sum = now; }
    if (performance.now() - start < 1000 * seconds) requestAnimationFrame(tick);
    else done({rows, frames, seconds: (performance.now() - start) / 1000}); };
  requestAnimationFrame(tick); })"""


def measure(page: Any, seconds: float) -> dict[str, float]:
    got = page.evaluate(PROBE, seconds)
    rows = np.array(got["rows"], dtype=float)
    gaps = np.diff(rows[:, 0])
    return {
        "shown a second": len(rows) / got["seconds"],
        "of them with other pixels": float(rows[:, 3].mean()),
        "sent a second": float(np.ptp(rows[:, 1]) / got["seconds"]),
        "latency p50 ms": float(np.percentile(rows[:, 2], 50)),
        "latency p95 ms": float(np.percentile(rows[:, 2], 95)),
        "longest gap ms": float(gaps.max()),
        "animation frames a second": got["frames"] / got["seconds"],
    }


def run(seconds: float) -> None:
    with tempfile.TemporaryDirectory(prefix="hotspot-benchmark-") as name:
        folder = Path(name)
        with open_store(str(folder / "jobs.db")) as store:
            job = open_practice_job(store, Drafts(folder / "drafts"), seed=5)
        with bench_server(folder) as address, chromium() as browser:
            page = browser.new_page(viewport={"width": 1366, "height": 768})
            page.set_default_timeout(60_000)
            page.goto(f"{address}/live?job={job}")
            page.get_by_role("button", name="Open camera").click()
            page.get_by_text("new frames/s").wait_for()
            page.keyboard.press("b")
            page.locator("button:not([disabled])", has_text="Output on").first.wait_for()
            page.keyboard.press("o")
            page.get_by_text("ON", exact=True).wait_for()
            time.sleep(3)
            for view in ("board photo", "thermal picture"):
                page.get_by_text(view, exact=True).click()
                time.sleep(1.5)
                print(f"heat over {view}")
                found = measure(page, seconds)
                for what, value in found.items():
                    print(f"  {what:28} {value:8.2f}")
                print(f"  {'fps, share of target':28} {found['shown a second'] / TARGET_FPS:8.2f}")
                print(
                    f"  {'p95, share of target':28} {found['latency p95 ms'] / TARGET_P95_MS:8.2f}"
                )


if __name__ == "__main__":
    run(float(sys.argv[1]) if len(sys.argv) > 1 else 8.0)
