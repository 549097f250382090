"""Where the files of a store are."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Engine

from hotspot.errors import StoreError
from hotspot.store import tables as t
from hotspot.store.blobs import Blobs
from hotspot.store.transactions import Transactions

_FILES_SETTING = "files_url"


class Filing(Transactions):
    """A database and the folder or object store of its files."""

    def __init__(self, engine: Engine, *, where: str, files_url: str | None) -> None:
        super().__init__(engine, where=where)
        self._files_url = files_url
        self._blobs: Blobs | None = None

    @property
    def blobs(self) -> Blobs:
        """Where the files are: as opened, else as the store remembers, else beside the database.

        Raises
        ------
        hotspot.errors.StoreError
            If a server's store was never told where its files go.
        """
        if self._blobs is None:
            self._blobs = Blobs(self._settle_files_url())
        return self._blobs

    def _settle_files_url(self) -> str:
        with self.read() as session:
            kept = session.get(t.SettingRow, _FILES_SETTING)
            known = None if kept is None else kept.value
        if self._files_url:
            if known is None:
                url = self._files_url
                self.write(lambda s: s.add(t.SettingRow(name=_FILES_SETTING, value=url)))
            return self._files_url
        if known:
            return known
        if self.engine.dialect.name == "sqlite":
            return str(Path(str(self.engine.url.database)).expanduser().resolve().parent / "files")
        raise StoreError(
            "this store does not know where its files go",
            where=self.where,
            cure="Set HOTSPOT_FILES once to a shared folder or an object store",
        )
