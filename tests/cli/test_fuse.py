"""`pingfix fuse` and `pingfix stations` from files to answers, and their refusals."""

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from pings import heard_ping

from acoustics import load_scene
from acoustics.base.errors import InputError, OutputError, ParameterError
from acoustics.cli.fuse import fuse_command
from acoustics.cli.stations import stations_command
from acoustics.estimate.locate import WRONGLY_WIRED
from acoustics.io.ping import IntegerAlternative
from acoustics.io.ping_lines import ping_line
from acoustics.physics.tdoa import difference_matrix
from acoustics.present.text.tables import percent

SCENARIO = "examples/mallard-basin.toml"
SCENE = load_scene(SCENARIO)
SOURCE = np.array(SCENE.pingers[0].position_m)
WAY = np.stack(
    [np.interp(range(8), [0, 4, 7], [8, 16, 17]), np.interp(range(8), [0, 4, 7], [2, 2, 9]), np.full(8, 0.8)], -1
)
HEADING = 0.35
AMBER = "amber pinger"


def pings(*, wrong=(), sd_s=2e-7, drop=None, array=SCENE.array.positions_m, tolerance=0.0005):
    """Located pings along the way; `wrong` ones hear another place, in `drop` the last channel is left out."""
    rng, lines = np.random.default_rng(2), []
    for k, place in enumerate(WAY):
        source = np.array([3.0, 11.0, 2.0]) if k in wrong else SOURCE
        lines.append(
            heard_ping(
                SCENE, place, HEADING, source, rng, sd_s=sd_s, hydrophones_m=array[: 3 if k == drop else 4],
                tolerance_m=tolerance, ping=k + 1, time_s=2.0 * k + 0.5,
            )
        )  # fmt: skip
    return lines


def written(tmp_path, entries, name="pings.jsonl"):
    path = tmp_path / name
    path.write_text("".join(ping_line(ping) + "\n" for ping in entries))
    return str(path)


def run(command, *arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)


def test_pings_become_a_position_a_station_a_picture_and_tables(tmp_path):
    path = written(tmp_path, pings(wrong=(2,), drop=5))
    plot, target, rows = tmp_path / "fix.png", tmp_path / "fix.csv", tmp_path / "rows.csv"
    result = run(fuse_command, path, "--scenario", SCENARIO, "--plot", plot, "--csv", target, "--pings-csv", rows)
    assert result.exit_code == 0
    assert "8 pings, 7 inliers, 1 outlier, 0 not measured" in result.output
    assert "Station: amber" in result.output and "95 % ellipse (predicted)" in result.output
    assert plot.read_bytes().startswith(b"\x89PNG")
    (row,) = csv.DictReader(io.StringIO(target.read_text()))
    assert row["ok"] == "true" and row["station"] == "amber" and row["pings_rejected"] == "1"
    # Within three of the stated standard deviations.
    assert abs(float(row["x_m"]) - SOURCE[0]) < 3 * float(row["sd_x_m"]) < 5
    assert abs(float(row["y_m"]) - SOURCE[1]) < 3 * float(row["sd_y_m"]) < 5
    statuses = [r["status"] for r in csv.DictReader(io.StringIO(rows.read_text()))]
    assert statuses.count("outlier") == 1 and statuses[2] == "outlier"
    with pytest.raises(OutputError, match="exists already"):
        run(fuse_command, path, "--csv", target)


def test_pings_of_several_recordings_are_counted_in_the_order_given(tmp_path):
    each = [replace(ping, ping=1) for ping in pings()[:3]]
    files = [written(tmp_path, [ping], f"{k}.jsonl") for k, ping in enumerate(each)]
    told = json.loads(run(fuse_command, *files, "--json").output)["pings"]
    assert [(p["ping"], p["time_s"]) for p in told] == [(k, ping.time_s) for k, ping in enumerate(each, 1)]
    one = json.loads(run(fuse_command, written(tmp_path, pings()[3:6]), "--json").output)["pings"]
    assert [p["ping"] for p in one] == [4, 5, 6], "a recording's own numbers are those that locate printed"


def test_a_heading_error_turns_the_way_only_where_places_were_reckoned_by_it(tmp_path):
    """A compass 6 degrees off: reckoned places turn the answer about the first of them, measured ones do not."""
    off = [replace(p, pose=replace(p.pose, heading=HEADING - 0.1, heading_sd=0.1)) for p in pings(sd_s=2e-8)]
    path = written(tmp_path, off)
    assert "Poses: each place taken as measured by itself; --dead-reckoned where" in run(fuse_command, path).output
    measured, reckoned = (
        json.loads(run(fuse_command, path, *choice, "--json").output) for choice in ((), ("--dead-reckoned",))
    )
    assert (measured["dead_reckoned"], reckoned["dead_reckoned"]) == (False, True)
    assert np.linalg.norm(np.subtract(measured["position_m"], SOURCE)[:2]) < 0.1
    assert measured["heading_bias_deg"] == pytest.approx(np.rad2deg(0.1), abs=3 * measured["heading_bias_sd_deg"])
    # Turning with the track, the heading's error shows in no crossing: 0.1 of 13 m from the start is left in doubt.
    assert reckoned["heading_bias_sd_deg"] > 5.0 and reckoned["semi_major_95_m"] > 10 * measured["semi_major_95_m"]
    assert "Poses: taken as dead reckoned from the first" in run(fuse_command, path, "--log-scale-sd", 0.01).output


def test_json_needs_no_scenario(tmp_path):
    result = run(fuse_command, written(tmp_path, pings()), "--json", "--heading-bias-sd-deg", 1, "--log-scale-sd", 0)
    answer = json.loads(result.output)
    assert answer["ok"] and answer["inliers"] == 8 and answer["stations"] == [] and answer["needed"] is None
    np.testing.assert_allclose(answer["position_m"][:2], SOURCE[:2], atol=1.5)
    residuals = [abs(p["bearing_residual_deg"]) for p in answer["pings"]]
    assert max(residuals) < 10 and {p["status"] for p in answer["pings"]} == {"inlier"}


def test_integers_in_doubt_are_told_with_every_place_they_leave(tmp_path):
    """A square of two wavelengths, heard from one place: the directions a whole period away fit as well."""
    side, along = 2 * SCENE.sound_speed_m_s / 30e3, difference_matrix(4) @ [0.0, 1.0, 1.0, 0.0]
    square = side * np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    steps = (np.zeros(3), along, -along)
    integers = tuple(IntegerAlternative(tuple(map(int, step)), 1 / 3) for step in steps)
    entries = [replace(ping, integers=integers, integer_probability=1 / 3) for ping in pings(array=square)[:1]]
    plot = tmp_path / "modes.png"
    result = run(fuse_command, written(tmp_path, entries), "--scenario", SCENARIO, "--plot", plot)
    assert "Places that the integers of the carrier leave, predicted: x " in result.output
    assert plot.read_bytes().startswith(b"\x89PNG")
    answer = json.loads(run(fuse_command, written(tmp_path, entries), "--scenario", SCENARIO, "--json").output)
    weights = [mode["weight"] for mode in answer["modes"]]
    assert len(weights) > 1 and sum(weights) == pytest.approx(1.0, abs=0.01)
    lost = replace(entries[0], ok=False, reason="nothing heard", time_s=2.5, tdoa_s=np.empty(0), integers=())
    both = run(fuse_command, written(tmp_path, [*entries, lost]), "--json")
    assert json.loads(both.output)["not_measured"] == 1


def test_navigation_takes_the_place_of_the_poses_in_the_pings(tmp_path):
    lost = [replace(p, pose=replace(p.pose, position_m=(0.0, 0.0, 0.8))) for p in pings()]
    nav = tmp_path / "nav.csv"
    rows = [f"{2.0 * k + 0.5},{x},{y},{z},0,0,{np.rad2deg(HEADING)}" for k, (x, y, z) in enumerate(WAY)]
    nav.write_text("time_s,x_m,y_m,z_m,roll_deg,pitch_deg,heading_deg\n" + "\n".join(rows) + "\n")
    from_navigation = json.loads(run(fuse_command, written(tmp_path, lost), "--navigation", nav, "--json").output)
    from_pings = json.loads(
        run(fuse_command, written(tmp_path, pings(), "b.jsonl"), "--dead-reckoned", "--json").output
    )
    np.testing.assert_allclose(from_navigation["position_m"], from_pings["position_m"], atol=1e-4)
    nav.write_text("\n".join(nav.read_text().splitlines()[:5]) + "\n")
    with pytest.raises(InputError, match="has no row for a ping at 8.500 s"):
        run(fuse_command, written(tmp_path, lost), "--navigation", nav, "--force")


def test_a_sound_speed_taken_as_unknown_absorbs_a_wrong_one_and_leaves_the_position_less_sure(tmp_path):
    wide = 15.0 * (SCENE.array.positions_m - SCENE.array.positions_m.mean(axis=0))
    exact = [
        replace(
            p, pose=replace(p.pose, roll_sd=0.001, pitch_sd=0.001, heading_sd=0.002, position_sd_m=0.01), depth_sd_m=0.1
        )
        for p in pings(array=wide, sd_s=1e-7, tolerance=5e-5)[4:]
    ]
    wrong = written(tmp_path, [replace(p, sound_speed_m_s=p.sound_speed_m_s + 40.0) for p in exact], "wrong.jsonl")
    options = ("--drift-sd-m-per-root-m", 0.002, "--log-scale-sd", 0.001, "--json")

    def answer(path, *more):
        return json.loads(run(fuse_command, path, *options, *more).output)

    believed, unknown = answer(wrong), answer(wrong, "--sound-speed-sd-m-s", 50)
    assert not believed["ok"] and "fewer than half of the pings agree" in believed["reason"]
    assert unknown["ok"] and unknown["inliers"] == 4 and unknown["p_value"] > 0.05
    # Within three of the stated standard deviations.
    away = (np.array(unknown["position_m"]) - SOURCE)[:2]
    assert away @ np.linalg.solve(np.array(unknown["covariance_m2"])[:2, :2], away) < 9.0
    # One ping of a flat array has its range from the depression, which goes with the sound speed.
    one = written(tmp_path, exact[-1:], "one.jsonl")
    sure, less = (answer(one, "--sound-speed-sd-m-s", sd)["semi_major_95_m"] for sd in (0, 50))
    assert less > 1.3 * sure
    assert run(fuse_command, one, "--sound-speed-sd-m-s", -1).exit_code == 2


def test_refusals_name_what_is_wrong(tmp_path):
    two = pings()[:2] + [replace(pings()[2], pinger="teal pinger")]
    result = run(fuse_command, written(tmp_path, two))
    assert result.exit_code == 2 and "there are several: amber pinger, teal pinger; name one" in result.output
    result = run(fuse_command, written(tmp_path, two), "--pinger", "white")
    assert result.exit_code == 2 and "no ping of 'white'; known: amber pinger, teal pinger" in result.output
    (tmp_path / "empty.jsonl").write_text("")
    result = run(fuse_command, tmp_path / "empty.jsonl")
    assert result.exit_code == 2 and "the files hold no ping" in result.output
    result = run(fuse_command, written(tmp_path, two[:2]), written(tmp_path, two[1:], "again.jsonl"), "--pinger", AMBER)
    assert result.exit_code == 2 and "the ping of 2.500 s is there twice" in result.output
    moved = [pings()[0], replace(pings()[1], hydrophones_m=pings()[1].hydrophones_m + 0.1)]
    with pytest.raises(ParameterError, match="fuse only pings of one array"):
        run(fuse_command, written(tmp_path, moved))
    with pytest.raises(OutputError, match="must end in .png or .svg"):
        run(fuse_command, written(tmp_path, two), "--plot", tmp_path / "x.gif")


def test_pings_that_are_not_ok_and_a_single_one_are_told(tmp_path):
    silent = [
        replace(
            p,
            ok=False,
            reason="too weak",
            tdoa_s=np.empty(0),
            tdoa_covariance_s2=np.empty((0, 0)),
            candidates=(),
            site_bearing=(),
        )
        for p in pings()[:2]
    ]
    result = run(fuse_command, written(tmp_path, silent))
    assert result.exit_code == 1 and "No position to go by: no ping of the run has usable delays" in result.output
    result = run(fuse_command, written(tmp_path, pings()[:1]), "--scenario", SCENARIO, "--plot", tmp_path / "one.svg")
    assert result.exit_code == 1 and "No position to go by: the range is not observed" in result.output
    words = " ".join(result.output.split())
    assert "Line of bearing (predicted, 95 %): from the last pose, at x 8.00, y 2.00 m, towards" in words
    assert (tmp_path / "one.svg").exists()


def test_no_position_is_given_where_later_pings_showed_that_channels_are_swapped(tmp_path):
    passed, refused = pings()[:-1], replace(pings()[-1], ok=False, reason=WRONGLY_WIRED)
    assert run(fuse_command, written(tmp_path, passed)).exit_code == 0
    result = run(fuse_command, written(tmp_path, [*passed, refused]))
    assert result.exit_code == 1 and "No position to go by: pings were refused because channels" in result.output


def test_a_script_can_tell_no_position_from_wrong_input_by_the_exit_code(tmp_path):
    once = written(tmp_path, pings()[:1])
    result = run(fuse_command, once, "--json", "--csv", tmp_path / "fix.csv")
    answer = json.loads(result.output)
    assert result.exit_code == 1 and not answer["ok"] and answer["line"]["farthest_m"] is None
    # The true bearing lies in the stated line.
    away = (SOURCE - WAY[0])[:2]
    off = np.rad2deg(np.arctan2(away[1], away[0])) - answer["line"]["bearing_deg"]
    assert abs(off) < answer["line"]["half_width_deg"] < 20
    assert answer["line"]["nearest_m"] < np.linalg.norm(SOURCE - WAY[0])
    (row,) = csv.DictReader(io.StringIO((tmp_path / "fix.csv").read_text()))
    assert row["ok"] == "false" and row["reason"].startswith("the range is not observed")
    assert run(fuse_command, written(tmp_path, pings(), "all.jsonl")).exit_code == 0
    assert run(fuse_command, once, "--log-scale-sd", 2).exit_code == 2
    shown = run(fuse_command, "--help").output
    assert "Exit code 0 with a position to go by; 1 where there is none" in " ".join(shown.split())


@pytest.mark.slow
def test_stations_prints_the_confusion_and_draws_it(tmp_path):
    # Kept, so that the second answer rests on the same runs as the first.
    common = (SCENARIO, "--trials", 8, "--pings", 2, "--leg-m", 6, "--leg-deg", -20, "--resume", tmp_path / "kept")
    result = run(stations_command, *common, "--plot", tmp_path / "s.png")
    assert result.exit_code == 0
    assert "none of these" in result.output and "The right station is chosen with probability" in result.output
    answer = json.loads(run(stations_command, *common, "--json").output)
    assert f"is chosen with probability {percent(answer['overall']['value'])} (" in result.output
    assert answer["truths"] == ["amber", "teal", "violet", "white", "none of these"]
    assert np.sum(answer["decided"], axis=1).tolist() == [8] * 5
    with pytest.raises(ParameterError, match="the run leaves the water after"):
        run(stations_command, SCENARIO, "--leg-m", 30, "--trials", 8)
    bare = tmp_path / "bare.toml"
    text = Path(SCENARIO).read_text()
    bare.write_text(text[: text.index("[[station]]")])
    with pytest.raises(ParameterError, match=r"has no \[\[station\]\]"):
        run(stations_command, bare)
