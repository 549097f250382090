import numpy as np
import pytest
from scipy.special import erf

from hotspot.practice.bodies import PartBody
from hotspot.practice.optics import build_view, to_apparent_c, to_radiance
from hotspot.practice.plate import PlateSettings

SHAPE = (47, 61)
PLATE = PlateSettings(width_mm=60.0, height_mm=46.0, cell_mm=0.5, emissivity=0.9)
# 1 mm a pixel, y up on the board and down in the picture: pixel (0, 0) is at (0, 46) mm
STRAIGHT = np.array([[1.0, 0.0, 0.0], [0.0, -1.0, 46.0], [0.0, 0.0, 1.0]])


def body(**changes):
    values = {
        "ref": "U1", "x_mm": 30.2, "y_mm": 20.0, "width_mm": 10.0, "height_mm": 8.0,
        "rotation_deg": 0.0, "tall_mm": 1.0, "heat_capacity_j_k": 1.0, "contact_w_k": 1.0,
        "loss_w_k": 0.0, "emissivity": 0.9,
    }  # fmt: skip
    return PartBody(**{**values, **changes})


def picture(view, rise, *, ambient=23.0, around=23.0):
    return view.to_image(rise, ambient_c=ambient, surroundings=to_radiance(around))


def rise_of(view, index, kelvin):
    u = np.zeros(view.emitted.shape[1])
    u[index] = kelvin
    return u


def test_everything_at_one_temperature_looks_alike_whatever_its_emissivity():
    # Kirchhoff: in a cavity of one temperature every surface shines as a black one.
    view = build_view(
        PLATE, (body(emissivity=0.1),), thermal_from_board=STRAIGHT, shape=SHAPE, blur_px=0.7
    )
    np.testing.assert_allclose(picture(view, np.zeros(view.emitted.shape[1])), 23.0, atol=1e-9)


def test_mirrored_surroundings_follow_the_emissivity():
    view = build_view(
        PLATE, (body(emissivity=0.1),), thermal_from_board=STRAIGHT, shape=SHAPE, blur_px=0.3
    )
    image = picture(view, np.zeros(view.emitted.shape[1]), around=35.0)

    def apparent(eps):
        return to_apparent_c(eps * to_radiance(23.0) + (1 - eps) * to_radiance(35.0))

    assert image[26, 30] == pytest.approx(apparent(0.1), abs=1e-6)  # the middle of the part
    assert image[8, 8] == pytest.approx(apparent(0.9), abs=1e-6)  # bare board


@pytest.mark.parametrize("blur", [0.5, 0.7, 1.2])
def test_an_edge_is_the_blur_integrated_over_the_pixel(blur):
    part = body()
    view = build_view(PLATE, (part,), thermal_from_board=STRAIGHT, shape=SHAPE, blur_px=blur)
    image = picture(view, rise_of(view, -1, 1.0))
    line = (image[26] - 23.0) / (image[26, 30] - 23.0)
    x = np.arange(SHAPE[1])

    def step(edge):  # integral of the Gaussian edge over each pixel
        fine = x[:, None] + (np.arange(200) + 0.5) / 200 - 0.5
        return 0.5 * (1 + erf((fine - edge) / (np.sqrt(2) * blur))).mean(axis=1)

    expected = step(25.2) - step(35.2)
    # the view samples eight points a pixel: an edge is off by at most a sixteenth of one
    np.testing.assert_allclose(line, expected, atol=0.07 / (np.sqrt(2 * np.pi) * blur))


def test_a_small_hot_part_gives_its_area_whatever_the_blur():
    small = body(width_mm=1.0, height_mm=0.5, x_mm=30.3, y_mm=20.4)
    for blur in (0.4, 0.9):
        view = build_view(PLATE, (small,), thermal_from_board=STRAIGHT, shape=SHAPE, blur_px=blur)
        image = picture(view, rise_of(view, -1, 1.0))
        slope = 0.9  # emitted share of a kelvin; reflected surroundings stay
        assert (image - 23.0).sum() == pytest.approx(0.5 * slope, rel=0.15)
        y, x = np.mgrid[0:47, 0:61]
        centre = [(v * (image - 23.0)).sum() / (image - 23.0).sum() for v in (x, y)]
        assert centre == pytest.approx([30.3, 46 - 20.4], abs=0.12)


def test_a_taller_part_hides_the_lower_and_a_part_below_the_board_is_not_seen():
    chip = body(ref="U1", tall_mm=0.9)
    can = body(ref="SH1", width_mm=14.0, height_mm=12.0, tall_mm=1.6, emissivity=0.1)
    view = build_view(PLATE, (can, chip), thermal_from_board=STRAIGHT, shape=SHAPE, blur_px=0.5)
    assert np.abs(picture(view, rise_of(view, -1, 10.0)) - 23.0).max() < 1e-9
    below = body(seen=False)
    view = build_view(PLATE, (below,), thermal_from_board=STRAIGHT, shape=SHAPE, blur_px=0.5)
    assert np.abs(picture(view, rise_of(view, -1, 10.0)) - 23.0).max() < 1e-9


def test_a_turned_part_is_turned_counter_clockwise_on_the_board():
    tilted = body(rotation_deg=45.0, width_mm=16.0, height_mm=2.0)
    view = build_view(PLATE, (tilted,), thermal_from_board=STRAIGHT, shape=SHAPE, blur_px=0.5)
    image = picture(view, rise_of(view, -1, 1.0)) - 23.0
    assert image[26 - 4, 30 + 4] > 0.5  # up right in the picture: y is up on the board
    assert image[26 + 4, 30 + 4] < 0.01


def test_coverage_holds_the_whole_body():
    for turn in (0.0, 30.0, 90.0):
        part = body(rotation_deg=turn, width_mm=1.0, height_mm=0.5, x_mm=20.1, y_mm=10.3)
        area = part.coverage(PLATE).sum() * 0.25
        assert area == pytest.approx(0.5, rel=0.04)


def test_a_part_off_the_board_is_refused_by_name():
    with pytest.raises(ValueError, match=r"U1 at .* does not lie on the board"):
        body(x_mm=200.0).to_lump(PLATE)
