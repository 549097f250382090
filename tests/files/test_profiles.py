"""Camera profiles saved and loaded: several of them share a folder."""

from __future__ import annotations

from pathlib import Path

from hotspot.files.profiles import load_profile, save_profile
from hotspot.profile import CameraProfile


def test_profiles_of_one_folder_keep_their_own_bad_pixels(tmp_path: Path) -> None:
    cameras = [
        CameraProfile(name=f"bench {k}", width=32, height=24, bad_pixels=pixels)
        for k, pixels in enumerate([((1, 2), (3, 4)), ((30, 20),), ()])
    ]
    for k, camera in enumerate(cameras):
        save_profile(camera, tmp_path / "cameras" / f"camera{k}.toml")
    assert [load_profile(tmp_path / "cameras" / f"camera{k}.toml") for k in range(3)] == cameras
