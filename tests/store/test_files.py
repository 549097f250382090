import hashlib
import zipfile
from pathlib import Path

import pytest

from hotspot.errors import StoreError
from hotspot.store.archive import backup, restore
from hotspot.store.blobs import Blobs
from hotspot.store.check import check_store
from hotspot.store.entries import Action, ActionKind, Attachment, RecordingEntry
from hotspot.store.jobs import open_store


def keep(store, path: Path, name: str) -> Attachment:
    digest, size = store.blobs.put(path)
    return Attachment(name, "recording", digest, size)


@pytest.fixture
def filled(store, tmp_path):
    source = tmp_path / "frames.npy"
    source.write_bytes(b"\x00\x01" * 5000)
    job = store.new_job(customer="K-1", board_type="Lamp", complaint="Δ 5 Ω")
    recording = RecordingEntry("first", files=(keep(store, source, "frames.npy"),))
    store.add(job.id, [recording, Action(ActionKind.REMOVED, "C17", "μ")])
    return store


def test_the_same_content_is_kept_once_under_its_sha256(tmp_path) -> None:
    blobs = Blobs(str(tmp_path / "files"))
    a, b = tmp_path / "a", tmp_path / "b"
    a.write_bytes(b"abc")
    b.write_bytes(b"abc")
    # FIPS 180-4, the worked example for "abc".
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert blobs.put(a) == blobs.put(b) == (digest, 3)
    kept = [p for p in (tmp_path / "files").rglob("*") if p.is_file()]
    assert [p.name for p in kept] == [digest]
    assert blobs.read(digest) == b"abc"


def test_any_fsspec_address_serves(tmp_path) -> None:
    blobs = Blobs("memory://hotspot-test/files")
    source = tmp_path / "a"
    source.write_bytes(b"abc" * 1000)
    digest, size = blobs.put(source)
    assert hashlib.sha256(blobs.read(digest)).hexdigest() == digest
    assert blobs.problem(digest, size) == ""
    assert blobs.problem("0" * 64, 3) == "is missing"
    with pytest.raises(StoreError, match="cannot be used for files"):
        Blobs("nonsense://x")


def test_an_altered_and_a_missing_file_are_found(filled, tmp_path) -> None:
    assert check_store(filled).problems == ()
    kept = next(p for p in (tmp_path / "files").rglob("*") if p.is_file())
    good = kept.read_bytes()
    kept.write_bytes(b"\xff" + good[1:])
    assert check_store(filled).problems == ("job 1: frames.npy has been altered",)
    kept.write_bytes(good[:-1])
    assert "bytes instead of" in check_store(filled, job_id=1).problems[0]
    kept.unlink()
    found = check_store(filled)
    assert found.problems == ("job 1: frames.npy is missing",)
    assert (found.jobs, found.files) == (1, 1)


def test_backup_and_restore_into_either_database(filled, url, tmp_path) -> None:
    backup(filled, tmp_path / "shop.zip")
    with open_store(str(tmp_path / "new.db"), files_url=str(tmp_path / "f2")) as other:
        assert restore(other, tmp_path / "shop.zip") == 1
        assert other.job_file(1) == filled.job_file(1)
        assert check_store(other).problems == ()
        assert other.new_job(customer="next").id == 2
        backup(other, tmp_path / "again.zip")
        with pytest.raises(StoreError, match="not empty"):
            restore(other, tmp_path / "shop.zip")
    names = zipfile.ZipFile(tmp_path / "shop.zip").namelist()
    assert "tables/jobs.jsonl" in names


def test_a_backup_goes_back_into_the_same_kind(filled, url, tmp_path) -> None:
    backup(filled, tmp_path / "shop.zip")
    with filled.writing.begin() as connection:
        for table in (
            "faults",
            "attachments",
            "recordings",
            "actions",
            "jobs",
            "board_types",
            "customers",
        ):
            connection.exec_driver_sql(f"DELETE FROM {table}")
    assert restore(filled, tmp_path / "shop.zip") == 1
    assert filled.new_job(customer="next").id == 2


def test_the_same_store_gives_the_same_backup(filled, tmp_path) -> None:
    backup(filled, tmp_path / "a.zip")
    backup(filled, tmp_path / "b.zip")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


@pytest.mark.parametrize("part", ["tables/jobs.jsonl", "files/"])
def test_an_altered_backup_restores_nothing(filled, tmp_path, part) -> None:
    backup(filled, tmp_path / "shop.zip")
    with (
        zipfile.ZipFile(tmp_path / "shop.zip") as good,
        zipfile.ZipFile(tmp_path / "bad.zip", "w") as bad,
    ):
        for name in good.namelist():
            data = good.read(name)
            bad.writestr(name, data.replace(b"\x00\x01\x00", b"\x02\x01\x00", 1).replace(b"K", b"k")
                         if name.startswith(part) else data)  # fmt: skip
        bad.writestr("tables/extra.jsonl", b"") if part == "tables/jobs.jsonl" else None
    with open_store(str(tmp_path / "new.db")) as other:
        with pytest.raises(StoreError, match="damaged"):
            restore(other, tmp_path / "bad.zip")
        assert other.count_jobs() == 0


def test_what_is_no_backup_is_refused(store, tmp_path) -> None:
    path = tmp_path / "x.zip"
    for content in (b"", b"PK nonsense"):
        path.write_bytes(content)
        with pytest.raises(StoreError, match="cannot be restored"):
            restore(store, path)
    with pytest.raises(StoreError, match="cannot be restored"):
        restore(store, tmp_path / "nowhere.zip")


def test_a_backup_that_fails_leaves_no_file(filled, tmp_path) -> None:
    next(p for p in (tmp_path / "files").rglob("*") if p.is_file()).unlink()
    with pytest.raises(StoreError, match="missing"):
        backup(filled, tmp_path / "shop.zip")
    assert list(tmp_path.glob("shop.zip*")) == []


def test_a_store_remembers_where_its_files_go(url, tmp_path) -> None:
    source = tmp_path / "a"
    source.write_bytes(b"abc")
    with open_store(url, files_url=str(tmp_path / "shared")) as store:
        digest, _ = store.blobs.put(source)
    with open_store(url) as store:
        assert store.blobs.read(digest) == b"abc"


def test_a_server_that_was_never_told_says_so(url, tmp_path) -> None:
    with open_store(url) as store:
        if store.engine.dialect.name == "sqlite":
            assert store.blobs.url == str(tmp_path / "files")
        else:
            with pytest.raises(StoreError, match="HOTSPOT_FILES"):
                _ = store.blobs
