"""The store read by other programs: hashes by coreutils, the database by Python's driver."""

import hashlib
import shutil
import sqlite3
import subprocess
import zipfile

import pytest

from hotspot.store.archive import backup
from hotspot.store.blobs import measure_sha256
from hotspot.store.entries import Action, ActionKind, Attachment
from hotspot.store.jobs import open_store


@pytest.fixture
def kept(tmp_path):
    source = tmp_path / "frames Ω.npy"
    source.write_bytes(bytes(range(256)) * 9000)
    with open_store(str(tmp_path / "jobs.db")) as store:
        job = store.new_job(customer="K-1", complaint="5 Ω")
        digest, size = store.blobs.put(source)
        store.add(job.id, [Attachment(source.name, "file", digest, size)])
        store.add(job.id, [Action(ActionKind.REMOVED, "C17")])
        backup(store, tmp_path / "shop.zip")
    return tmp_path


@pytest.mark.parametrize(
    ("content", "digest"),
    [
        # FIPS 180-4, NIST's example values for SHA-256.
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ],
)
def test_hash_of_the_standards_examples(tmp_path, content, digest) -> None:
    (tmp_path / "x").write_bytes(content)
    assert measure_sha256(tmp_path / "x") == digest


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_coreutils_agrees_with_the_list_of_hashes(kept) -> None:
    with zipfile.ZipFile(kept / "shop.zip") as archive:
        archive.extractall(kept / "out")
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        cwd=kept / "out", capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    lines = (kept / "out" / "SHA256SUMS").read_text().splitlines()
    files = [p for p in (kept / "out").rglob("*") if p.is_file()]
    assert len(lines) == len(files) - 1
    assert done.stdout.count(": OK") == len(lines)


def test_pythons_own_driver_reads_the_database(kept) -> None:
    with sqlite3.connect(kept / "jobs.db") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        (digest,) = connection.execute("SELECT sha256 FROM attachments").fetchone()
        assert connection.execute("SELECT kind, ref FROM actions").fetchall() == [
            ("removed", "C17")
        ]
    connection.close()
    content = (kept / "files" / digest[:2] / digest).read_bytes()
    assert hashlib.sha256(content).hexdigest() == digest
