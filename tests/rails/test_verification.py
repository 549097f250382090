import pytest

from hotspot.rails.reading import parse_line
from hotspot.rails.signature import build_signature
from hotspot.rails.verdict import judge_readings
from hotspot.rails.verification import (
    Speaks,
    compare_findings,
    compare_power_up,
    compare_verdicts,
    verification_to_dict,
    verify_repair,
)


def spot(x, y, mm=True, role="fault"):
    cov = [[0.01, 0], [0, 0.01]]
    return {
        "thermal_xy_px": [x * 5, y * 5], "thermal_cov_px2": cov, "snr": 12, "peak_delta_k": 0.4,
        "role": role, "board_xy_mm": [x, y] if mm else None, "board_cov_mm2": cov if mm else None,
    }  # fmt: skip


def finding(*spots, verdict=None):
    return {
        "verdict": verdict or ("hot spot" if spots else "no hot spot"),
        "spots": list(spots),
        "suspects": [
            {"ref": f"C{i + 1}", "probability": 0.8, "spot": i, "why": ""}
            for i, _ in enumerate(spots)
        ],
    }  # fmt: skip


def readings(before, after):
    judge = lambda line: judge_readings([parse_line(line)])  # noqa: E731
    return compare_verdicts(judge(before), judge(after))


GOOD = ("VSYS 0.001", "VSYS 0.34")
START = build_signature(before_a=0.001, press_a=0.2, later_a=(0.6, 0.3))
LOOP = build_signature(before_a=0.001, press_a=0.1, later_a=(0.0, 0.1, 0.0, 0.1, 0.0))


def test_reading_and_spot_gone_is_repaired() -> None:
    result = verify_repair([*readings(*GOOD), *compare_findings(finding(spot(10, 10)), finding())])
    assert result.verdict == "repaired"
    assert "Power up" in result.next


def test_reading_and_normal_start_is_repaired() -> None:
    result = verify_repair([*readings(*GOOD), *compare_power_up(START)])
    assert result.verdict == "repaired"
    assert "charging current" in result.next


@pytest.mark.parametrize(
    "evidence",
    [
        (),
        readings(*GOOD),
        compare_power_up(START),
        compare_findings(finding(spot(10, 10)), finding()),
        (*compare_findings(finding(spot(10, 10)), finding()), *compare_power_up(START)),
        (*readings(*GOOD), *compare_findings(finding(spot(1, 1)), finding(verdict="cannot tell"))),
        (*readings(*GOOD), *compare_findings(None, finding())),
    ],
)
def test_one_witness_alone_confirms_nothing(evidence) -> None:
    result = verify_repair(evidence)
    assert result.verdict == "not confirmed"
    assert result.next


def test_a_recording_without_any_sign_of_the_supply_proves_nothing() -> None:
    unseen = {**finding(), "injection": {"source": "none", "onset_s": None, "period_s": None}}
    (piece,) = compare_findings(finding(spot(10, 10)), unseen)
    assert piece.speaks is Speaks.SILENT
    logged = {**finding(), "injection": {"source": "log", "onset_s": 6.0, "period_s": None}}
    (piece,) = compare_findings(finding(spot(10, 10)), logged)
    assert piece.speaks is Speaks.FOR


def test_a_spot_elsewhere_is_another_fault() -> None:
    seen = compare_findings(finding(spot(10, 10)), finding(spot(25, 12)))
    assert seen[0].speaks is Speaks.ANOTHER
    assert "15.1 mm" in seen[0].says
    assert verify_repair([*readings("VSYS 0.001", "VSYS 0.001"), *seen]).verdict == "another fault"


def test_the_same_spot_is_not_confirmed_even_with_a_fair_reading() -> None:
    seen = compare_findings(finding(spot(10, 10)), finding(spot(10.2, 10.1)), removed=["C1"])
    assert seen[0].speaks is Speaks.AGAINST
    assert "taken off" in seen[0].says
    assert verify_repair([*readings(*GOOD), *seen]).verdict == "not confirmed"


def test_without_a_board_scale_pixels_are_compared() -> None:
    seen = compare_findings(finding(spot(10, 10, mm=False)), finding(spot(30, 10, mm=False)))
    assert "100.0 px" in seen[0].says


def test_a_path_spot_is_no_fault() -> None:
    seen = compare_findings(finding(spot(10, 10)), finding(spot(30, 10, role="path")))
    assert [e.speaks for e in seen] == [Speaks.SILENT]


def test_still_short_with_a_failing_start_is_the_same_fault() -> None:
    short = compare_power_up(build_signature(before_a=2.0, limit_a=2.0))
    result = verify_repair([*readings("VSYS 0.001", "VSYS 0.001"), *short])
    assert result.verdict == "not confirmed"


def test_rail_healthy_but_boot_loop_is_another_fault() -> None:
    assert verify_repair([*readings(*GOOD), *compare_power_up(LOOP)]).verdict == "another fault"


def test_another_rail_short_afterwards_is_another_fault() -> None:
    before = judge_readings([parse_line("VSYS 0.001"), parse_line("V1V8 0.3")])
    after = judge_readings([parse_line("VSYS 0.34"), parse_line("V1V8 0.001")])
    assert verify_repair(compare_verdicts(before, after)).verdict == "another fault"


def test_a_shorted_rail_left_unmeasured_keeps_it_unconfirmed() -> None:
    before = judge_readings([parse_line("VSYS 0.001"), parse_line("V1V8 0.001")])
    after = judge_readings([parse_line("VSYS 0.34")])
    result = verify_repair([*compare_verdicts(before, after), *compare_power_up(START)])
    assert result.verdict == "not confirmed"
    assert "V1V8" in " ".join(e.says for e in result.evidence)


def test_a_healthy_board_is_compared() -> None:
    healthy = build_signature(before_a=0.001, press_a=0.2, later_a=(0.7, 0.35))
    kinds = [e.speaks for e in compare_power_up(START, healthy)]
    assert kinds == [Speaks.FOR, Speaks.FOR]
    weak = build_signature(before_a=0.001, press_a=0.2, later_a=(2.9, 1.8))
    assert "unlike" in compare_power_up(START, weak)[1].says
    assert compare_power_up(None) == ()


def test_plain_data() -> None:
    data = verification_to_dict(verify_repair(readings(*GOOD)))
    assert data["evidence"][0]["speaks"] == "for"


def test_a_short_that_is_gone_counts_although_the_rail_reads_unlike_the_good_board() -> None:
    good = [[parse_line("VSYS 0.30")]]
    was = judge_readings([parse_line("VSYS 0.001")], good_boards=good)
    now = judge_readings([parse_line("VSYS 0.41")], good_boards=good)
    (piece,) = compare_verdicts(was, now)
    assert piece.speaks is Speaks.FOR
    assert "no longer shorted" in piece.says
