"""A whole job through the command line, from intake to the PDF."""

import io
import json
import shutil
import zipfile

import pytest
from pypdf import PdfReader

from tests.jobs.conftest import SAMPLES


def test_from_intake_to_hand_over(cli, tmp_path) -> None:
    board = SAMPLES / "board"
    assert cli("job", "new", "--customer", "K-1041", "--board", board,
               "--complaint", "dead after a storm") == "job 1\n"  # fmt: skip

    said = json.loads(cli("triage", "--before", "1.9", "--limit-a", "2", "--job", "1", "--json"))
    assert said["verdict"] == "main rail short"

    read = json.loads(
        cli("readings", "3V3=0.002 beep", "VSYS=.46", "--board", board, "--job", "1", "--json")
    )
    assert [r["verdict"] for r in read["rails"]] == ["short", "healthy"]
    assert read["inject_first"][0]["target"] == "3V3"

    plan = cli("plan", "--board", board, "--rail", "3V3", "--ohms", "0.2", "--json")
    (tmp_path / "plan.json").write_text(plan)
    evidence = tmp_path / "evidence"
    cli("find", SAMPLES / "step", "--out", evidence)
    cli("job", "add", "1", "--plan", "plan.json", "--rail", "3V3",
        "--recording", SAMPLES / "step", "--finding", evidence)  # fmt: skip
    ref = json.loads((evidence / "finding.json").read_text())["suspects"][0]["ref"]
    cli(
        "job", "add", "1", "--action", f"removed {ref}", "--note", "scorched, 5 Ω before it cracked"
    )
    cli("job", "add", "1", "--after", "--reading", "3V3=0.41", "--recording", SAMPLES / "healthy")
    assert "not confirmed" in cli("verify", "1")

    cli(
        "triage",
        "--before",
        "0.001",
        "--press",
        "0.2",
        "--later",
        "0.5 0.3",
        "--after",
        "--job",
        "1",
    )
    verdict = json.loads(cli("verify", "1", "--json"))
    assert verdict["verdict"] == "repaired", verdict
    cli("job", "add", "1", "--action", f"replaced {ref} 10 µF 0603")
    assert cli("job", "close", "1", "--outcome", "repaired") == "job 1 closed: repaired\n"

    cli("report", "1", "--out", "first.pdf")
    cli("report", "1", "--out", "second.pdf")
    assert (tmp_path / "first.pdf").read_bytes() == (tmp_path / "second.pdf").read_bytes()
    text = " ".join(p.extract_text() for p in PdfReader(tmp_path / "first.pdf").pages)
    for words in (f"Repaired: {ref} replaced", "K-1041", "0.410 V", "5 Ω before", "10 µF", "3V3"):
        assert words in text, words

    cli("job", "export", "1", "--out", "job.zip")
    with zipfile.ZipFile(tmp_path / "job.zip") as archive:
        names = archive.namelist()
        assert archive.read("report.pdf") == (tmp_path / "first.pdf").read_bytes()
        assert json.loads(archive.read("job.json"))["job"]["customer"] == "K-1041"
    assert "recordings/1-step/frames.csv" in names
    assert any(name.endswith("evidence.png") for name in names)
    assert "every file matches" in cli("evidence", "check", "job.zip")
    assert "as kept in job 1" in cli("evidence", "check", evidence, "--job", "1")
    assert "all in order" in cli("job", "check")

    cli("job", "backup", "shop.zip")
    cli("job", "restore", "shop.zip", "--store", tmp_path / "other.db")
    there = json.loads(cli("job", "show", "1", "--json", "--store", tmp_path / "other.db"))
    assert there == json.loads(cli("job", "show", "1", "--json"))

    again = cli("job", "new", "--customer", "K-1042", "--board", board)
    assert f"seen before on this board type: {ref} in 1 of 1" in again
    assert ref in cli("job", "show", "1")
    assert "K-1042" in cli("job", "list")
    assert cli("job", "list", "storm").startswith("     1")
    assert json.loads(cli("job", "list", "--status", "closed", "--json"))["jobs"][0]["id"] == 1


def test_a_job_may_wait_and_be_reopened(cli) -> None:
    cli("job", "new", "--customer", "K-1")
    cli("job", "wait", "1")
    assert "waiting" in cli("job", "list")
    cli("job", "close", "1", "--outcome", "not-repaired")
    assert "hotspot job reopen 1" in cli("job", "add", "1", "--note", "late", code=2)
    cli("job", "reopen", "1")
    cli("job", "add", "1", "--note", "late")
    assert "changed by another bench" in cli(
        "job", "close", "1", "--outcome", "repaired", "--version", "1", code=2
    )


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("job", "show", "7"), "no job 7"),
        (("job", "add", "7", "--note", "x"), "no job 7"),
        (("job", "add", "1"), "nothing to add"),
        (("job", "add", "1", "--reading", "VSYS=blue"), "cannot read the meter value"),
        (("job", "add", "1", "--action", "burnt C1"), "removed C17"),
        (("job", "add", "1", "--action", "removed"), "which part"),
        (("job", "add", "1", "--recording", "nowhere"), "nowhere"),
        (("job", "add", "1", "--finding", "nowhere"), "nowhere"),
        (("job", "add", "1", "--plan", "broken.json"), "broken.json"),
        (("job", "add", "1", "--picture", "nowhere.jpg"), "nowhere.jpg"),
        (("job", "close", "1", "--outcome", "exploded"), "One of repaired"),
        (("job", "list", "--status", "lost"), "One of open"),
        (("job", "new", "--customer", " "), "empty"),
        (("job", "restore", "broken.json"), "not empty"),
        (("report", "9"), "no job 9"),
        (("verify",), "nothing to compare"),
        (("verify", "1", "--before", "1"), "hotspot job add 1"),
        (("triage",), "no current given"),
        (("triage", "--before", "much"), "cannot read the current"),
        (("triage", "--before", "1", "--log", "x.csv"), "one or the other"),
        (("triage", "--log", "broken.json"), "broken.json"),
        (("triage", "--before", "1", "--rules", "broken.json"), "not TOML"),
        (("readings",), "no readings given"),
        (("readings", "--file", "broken.json"), "broken.json line 1"),
        (("readings", "X=1", "--board", "nowhere"), "nowhere"),
        (("rerun", "--jobs", "x"), "cannot read 'x'"),
        (("rerun", "--jobs", "5"), "no job 5"),
        (("evidence", "check", "broken.zip"), "cannot be read as a zip"),
    ],
)
def test_bad_input_is_one_line_and_changes_nothing(cli, tmp_path, arguments, words) -> None:
    (tmp_path / "broken.json").write_text("{")
    (tmp_path / "broken.zip").write_text("{")
    cli("job", "new", "--customer", "K-1")
    before = cli("job", "show", "1", "--json")
    assert words in cli(*arguments, code=2)
    assert cli("job", "show", "1", "--json") == before


def test_verify_without_a_job(cli, tmp_path, evidence_folder) -> None:
    none = {"verdict": "no hot spot", "spots": [], "suspects": []}
    (tmp_path / "after.json").write_text(json.dumps(none))
    said = cli("verify", "--first", evidence_folder, "--second", "after.json",
               "--reading-before", "VSENSE=0.001", "--reading-after", "VSENSE=0.34")  # fmt: skip
    assert said.startswith("repaired\n")
    said = cli(
        "verify", "--first", evidence_folder, "--second", evidence_folder, "--removed", "C17"
    )
    assert said.startswith("not confirmed\n")
    assert "C17, which was taken off" in said


def test_triage_from_standard_input(cli, monkeypatch) -> None:
    log = "t,amps\n" + "".join(f"{n},{0.001 if n < 5 else 1.8}\n" for n in range(30))
    monkeypatch.setattr("sys.stdin", io.StringIO(log))
    assert cli("triage", "--log", "-").startswith("secondary rail short")


def test_readings_files_and_good_boards(cli, tmp_path) -> None:
    for n, value in enumerate((".41", ".42", ".40")):
        (tmp_path / f"good{n}.txt").write_text(f"# board {n}\nVSYS {value}\n")
    (tmp_path / "mine.csv").write_text("target;reading;mode\nVSYS;0,30;diode\nVDD;4R7;ohm\n")
    data = json.loads(
        cli(
            "readings",
            "--file",
            "mine.csv",
            "--json",
            *(a for n in range(3) for a in ("--good", f"good{n}.txt")),
        )
    )
    assert [r["verdict"] for r in data["rails"]] == ["low", "low"]
    assert data["rails"][1]["readings"][0]["ohms"] == 4.7
    assert "3 good board(s)" in data["rails"][0]["reasons"][0]


def test_an_altered_export_and_an_altered_picture_are_found(cli, tmp_path, evidence_folder) -> None:
    cli("job", "new", "--customer", "K-1")
    cli("job", "add", "1", "--finding", evidence_folder)
    cli("job", "export", "1", "--out", "job.zip")
    with zipfile.ZipFile(tmp_path / "job.zip") as good, zipfile.ZipFile("bad.zip", "w") as bad:
        for name in good.namelist():
            data = good.read(name)
            bad.writestr(name, data.replace(b"K-1", b"K-2") if name == "job.json" else data)
    assert "job.json has been altered" in cli("evidence", "check", "bad.zip", code=1)
    mine = tmp_path / "mine"
    shutil.copytree(evidence_folder, mine)
    (mine / "heat.png").write_bytes((mine / "heat.png").read_bytes() + b" ")
    assert "not as kept in job 1: heat.png" in cli("evidence", "check", mine, "--job", "1", code=1)


def test_two_recordings_tell_that_the_short_is_gone(cli, tmp_path) -> None:
    truth = json.loads((SAMPLES / "step" / "truth.json").read_text())["fault"]
    cli("job", "new", "--customer", "K", "--board", SAMPLES / "board")
    cli("job", "add", "1", "--reading", "3V3=0.002")
    assert f"{truth}" in cli("find", SAMPLES / "step", "--job", "1")
    cli("job", "add", "1", "--action", f"removed {truth}")
    cli("job", "add", "1", "--after", "--reading", "3V3=0.35")
    cli("find", SAMPLES / "healthy", "--job", "1", "--after", "--json")
    verdict = json.loads(cli("verify", "1", "--json"))
    assert verdict["verdict"] == "repaired", verdict
    assert {e["kind"] for e in verdict["evidence"] if e["speaks"] == "for"} == {
        "reading",
        "recording",
    }
    cli("report", "1", "--out", "r.pdf")
    pictures = [i for p in PdfReader(tmp_path / "r.pdf").pages for i in p.images]
    assert len(pictures) == 2


def test_a_rerun_names_the_same_part(cli) -> None:
    cli("job", "new", "--customer", "K", "--board", SAMPLES / "board")
    cli("job", "add", "1", "--recording", SAMPLES / "step")
    truth = json.loads((SAMPLES / "step" / "truth.json").read_text())["fault"]
    said = json.loads(cli("rerun", "--jobs", "all", "--workers", "1", "--json"))
    assert said["answers"][0]["now"] == f"hot spot {truth}"
    assert cli("rerun", "--jobs", "1").startswith("0 recording(s)")
    (finding,) = json.loads(cli("job", "show", "1", "--json"))["findings"]
    assert finding["recording_id"] == 1
