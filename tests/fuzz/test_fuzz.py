"""Damaged bytes in any file: an answer or one sentence, never a traceback, never a hang.

Each reader gets real bytes with seeded damage, and every file that once broke a reader
(``corpus/``, one folder a reader). ``python -m tests.fuzz.run`` does the same for as long as one
likes and adds to the corpus.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hotspot.devices.camera import check_url
from hotspot.errors import HotspotError
from hotspot.rails.current_log import parse_current_log
from hotspot.rails.reading import parse_line
from hotspot.rails.sheet import parse_readings
from hotspot.store.engine import parse_url
from tests.fuzz.attack import LONGEST_SENTENCE, outcome_of
from tests.fuzz.mutate import mutated
from tests.fuzz.targets import CORPUS, TARGETS, corpus_of


def attack(name: str, folder: Path, *, seeds: range) -> set[str]:
    """Return the ways in which damaged files were answered."""
    path, read = TARGETS[name](folder)
    good = path.read_bytes()
    assert outcome_of(path, good, read).kind == "read"
    kinds = set()
    for seed in seeds:
        data = mutated(good, np.random.default_rng([11, seed]))
        found = outcome_of(path, data, read)
        if found.broken:
            (folder.parent / f"broke-{seed}").write_bytes(data)
        assert not found.broken, f"{name}, seed {seed}: {found.broken}"
        kinds.add(found.kind)
    return kinds


# These answer anything with "nothing there": a draft is no reason to stop.
NEVER_REFUSE = ("drafts", "cold picture")


@pytest.mark.parametrize("name", TARGETS)
def test_damaged_bytes_give_an_answer_or_a_sentence(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    kinds = attack(name, folder, seeds=range(25))
    assert name in NEVER_REFUSE or kinds - {"read"}  # the damage is felt at all


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_damaged_bytes_at_length(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    attack(name, folder, seeds=range(1000, 1100))


@pytest.mark.parametrize("name", [name for name in TARGETS if corpus_of(name)])
def test_what_once_broke_a_reader_no_longer_does(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    path, read = TARGETS[name](folder)
    for file in corpus_of(name):
        found = outcome_of(path, file.read_bytes(), read)
        assert not found.broken, f"{file}: {found.broken}"


def test_the_corpus_is_small_and_belongs_to_readers() -> None:
    names = {name.replace(" ", "_") for name in TARGETS}
    files = [p for p in CORPUS.rglob("*") if p.is_file()]
    assert {p.parent.name for p in files if p.parent != CORPUS} <= names
    assert sum(p.stat().st_size for p in files) < 500_000


TEXTS = st.text(alphabet=st.characters(), max_size=80) | st.lists(
    st.sampled_from(
        ["sqlite", "postgresql", "rtsp", "http", "://", "///", "/", "@", ":", "?", "&", "=", "[",
         "]", "%", "%zz", "host", "1", "99999", "::1", "=OL", "0.34", "k", "M", "R", ",", ";", "\t",
         "\n", "#", " ", "VSYS", "Ω", "²", "e999", "-", "nan", "inf", "beep", "mA", "t_s", "amps"]
    ),
    max_size=14,
).map("".join)  # fmt: skip


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(TEXTS)
def test_any_text_is_understood_or_refused_in_one_sentence(text: str) -> None:
    for parse in (parse_url, check_url, parse_current_log, parse_readings, parse_line):
        sentence = ""
        try:
            parse(text)
        except HotspotError as error:
            sentence = error.sentence
        assert "\n" not in sentence
        assert len(sentence) <= LONGEST_SENTENCE
