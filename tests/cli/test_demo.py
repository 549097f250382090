"""`hotspot demo`: the sample recordings answer as they should, and the evidence is there."""

from __future__ import annotations

import json

import pytest

from hotspot.cli import demo
from hotspot.cli.demo import sample_recordings
from hotspot.cli.main import main


def test_the_samples_are_there():
    names = [folder.name for folder in sample_recordings()]
    assert len(names) >= 3


def test_demo_saves_evidence_for_each_and_names_it(tmp_path, capsys, monkeypatch):
    # Two of them here; .ci/run runs the whole demo from an installed wheel.
    two = [folder for folder in sample_recordings() if folder.name in ("step", "healthy")]
    monkeypatch.setattr(demo, "sample_recordings", lambda: two)
    with pytest.raises(SystemExit) as stop:
        main(["demo", "--out", str(tmp_path / "evidence")])
    assert not stop.value.code
    out = capsys.readouterr().out
    verdicts = set()
    for folder in two:
        made = tmp_path / "evidence" / folder.name
        assert (made / "evidence.png").stat().st_size > 20_000
        verdicts.add(json.loads((made / "finding.json").read_text())["verdict"])
        assert folder.name in out
    assert verdicts == {"hot spot", "no hot spot"}
