"""What tests of cameras share."""

from __future__ import annotations

import pytest

from hotspot.devices import camera as camera_module


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give up on a silent camera soon."""
    monkeypatch.setattr(camera_module, "SILENT_S", 0.5)
    monkeypatch.setattr(camera_module, "OPENING_S", 1.0)
