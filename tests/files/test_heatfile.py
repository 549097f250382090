"""The heat map as a TIFF that other programs open."""

from __future__ import annotations

import json

import numpy as np
import tifffile
from PIL import Image

from hotspot.files.heatfile import save_heat
from tests.evidence import scene


def test_floats_come_back_and_bad_pixels_are_nan(tmp_path):
    heat = scene.make_heat(spots=((30.0, 40.0, 0.3),), noise_k=0.01, trace=False)
    path = tmp_path / "heat.tif"
    save_heat(path, heat)
    back = tifffile.imread(path)
    assert back.dtype == np.float32
    assert back.shape == (120, 160)
    assert np.isnan(back[40, 71])
    np.testing.assert_array_equal(back[heat.valid], heat.rise_k[heat.valid])
    with tifffile.TiffFile(path) as file:
        described = json.loads(file.pages[0].description)
    assert described["unit"] == "K"
    assert abs(described["median_standard_error"] - 0.01) < 1e-6


def test_another_library_reads_it_too(tmp_path):
    heat = scene.make_heat(spots=(), noise_k=0.01, trace=False)
    save_heat(tmp_path / "heat.tif", heat)
    with Image.open(tmp_path / "heat.tif") as picture:
        back = np.asarray(picture)
    np.testing.assert_array_equal(back[heat.valid], heat.rise_k[heat.valid])
