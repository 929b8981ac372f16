from dataclasses import replace

import numpy as np
import pytest

from acoustics.base.intervals import Interval
from acoustics.present.plot.place import place_plot
from acoustics.present.text.place import place_text
from acoustics.present.text.tables import number, to_json
from acoustics.scene.mounting import Mounting
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import BearingOutcome
from acoustics.study.known_pool import KnownPoolBound
from acoustics.study.place.study import Curves, Line, Placement
from acoustics.study.place.verification import Check

FOUND = Line("found", 4, 1.0, True, 0.5, 2.5, 0.0099, True)
SQUARE = Line("square-half-wave", 4, 1.0, True, 4.0, 6.0, 2e-5, True)
SCALED = Line("square-half-wave", 4, 1.3, True, 3.0, 5.0, 0.008, True)
TOO_LONG = Line("hull-4", 4, 1.0, False, float("nan"), float("nan"), float("nan"), False)
ONE_PING = BearingOutcome(Interval(1.5, 1.0, 2.0), Interval(0.41, 0.40, 0.42), Interval(0.005, 0.003, 0.007))
FOUR_PINGS = BearingOutcome(Interval(0.3, 0.29, 0.31), Interval(0.3, 0.29, 0.31), Interval(0.0, 0.0, 0.001))


@pytest.fixture
def result():
    bearing = np.arange(0.0, 360.0, 15.0)
    return Placement(
        title="Mallard Basin",
        pinger="amber pinger",
        frequency_hz=30e3,
        range_m=np.array([6.0, 14.4]),
        multipath_free_s=np.array([3e-4, 7e-5]),
        energy_ratio_db=np.array([36.0, 15.0]),
        of="bearing",
        criterion="the worst direction",
        bearings="all round",
        depression_deg=np.array([6.4]),
        wrong_cycle_limit=0.01,
        tolerance_m=1e-3,
        minimum_spacing_m=0.015,
        starts=3,
        seed=1,
        hydrophones_m=np.array([[0.4, -0.2, 0.1], [0.4, 0.2, 0.1], [-0.4, 0.2, 0.1], [-0.4, -0.2, 0.1]]),
        rank=2,
        found=FOUND,
        mean_error_deg=0.4,
        mean_position_error_m=2.2,
        mean_wrong_integer=0.005,
        simulated=Check(5000, ONE_PING, FOUR_PINGS, None, None),
        heard_by_fewest=4,
        shipped=(SQUARE, SCALED, TOO_LONG),
        best_shipped=SQUARE,
        best_scaled=SCALED,
        gain_over_shipped=8.0,
        gain_over_scaled=6.0,
        bearing_deg=bearing,
        found_by_bearing=Curves(np.full(24, 0.5), np.full(24, 2.5)),
        shipped_by_bearing=Curves(np.full(24, 4.0), np.full(24, 6.0)),
        known_pool=KnownPoolBound(0.9, 0.15),
        known_pool_as_it_is=KnownPoolBound(float("inf"), 0.21),
    )


def words(text):
    return " ".join(text.split())


def test_says_how_much_is_gained_and_what_is_simulated(result):
    text = words(place_text(result))
    assert "errs by 0.500 deg (the worst direction, prediction); 8.0 times less than square-half-wave as it is" in text
    assert "does not fit" in text
    assert "over all the directions, 95 % intervals: after one ping 1.50 deg RMS (1.00 to 2.00)" in text
    assert "0.410 with the right cycle, wrong cycle 0.5 % (0.3 % to 0.7 %); after 4 joined at one place 0.300" in text
    assert "a noisier day breaks it" in text
    assert "spans a plane" in text
    assert "only 2.1 cycles of the carrier" in text
    assert (
        "at 6.0, 14.4 m, 30 kHz; multipath-free window 0.30, 0.070 ms, 2E/N0 36.0, 15.0 dB least error of the bearing"
        in text
    )
    assert "bearings are those of far pingers" in text
    assert f"{number(0.9)} m before the first echo from a wall and {number(0.15)} m by the whole burst (bounds)" in text
    assert "scenario's array to not observed before the first echo from a wall" in text
    assert to_json(result).startswith("{")


def test_says_it_in_metres_where_the_position_counts(result):
    check = replace(result.simulated, position_m=Interval(2.3, 2.2, 2.4), refused=Interval(0.05, 0.04, 0.06))
    place = replace(result, of="position", simulated=check)
    text = words(place_text(place))
    assert "least error of the position" in text.replace("horizontal ", "")
    assert (
        "errs by 2.50 m (the worst direction, prediction); 8.0 times less than square-half-wave as it is, 6.00 m"
        in text
    )
    assert "horizontal position: 2.30 m RMS of the fixes given (2.20 to 2.40), none given for 5 % of the pings" in text
    assert "predicted 2.20 m" in text and "far pingers" not in text
    assert "one ping hardly tells the range" in text
    near = replace(check, position_m=Interval(2.3, 2.2, 2.4), refused=Interval(0.0, 0.0, 0.001))
    assert "hardly tells" not in place_text(replace(place, simulated=near))
    errors = place_plot(place, load_scene(shipped("examples")["mallard-basin"])).axes[-1]
    assert errors.get_ylabel() == "position error [m]"
    assert errors.lines[0].get_ydata().tolist() == [2.5] * 24


def test_says_when_the_limit_is_not_kept_or_nothing_compares(result):
    beyond = replace(result, found=replace(FOUND, within_limit=False, wrong_integer=0.2), simulated=None)
    assert "No array of 4 hydrophones was found that keeps wrong cycles within the limit" in words(place_text(beyond))
    alone = replace(result, best_shipped=None, best_scaled=None, heard_by_fewest=2)
    assert "no shipped array of so few channels fits" in words(place_text(alone))
    assert "shadows all but 2 hydrophones" in words(place_text(alone))


def test_picture_has_three_views_in_millimetres_and_the_error(result):
    scene = load_scene(shipped("examples")["mallard-basin"])
    figure = place_plot(result, scene)
    labels = [axes.get_xlabel() for axes in figure.axes]
    assert sum("array spans 800 mm" in label for label in labels) == 2
    assert any("bearing from the bow" in label for label in labels)
    plan = figure.axes[0]
    assert plan.get_ylim()[0] > plan.get_ylim()[1]  # starboard downwards, as seen from above with the bow to the right


def test_picture_of_a_mounting_with_everything(result):
    mounting = Mounting.model_validate(
        {
            "region": [
                {"kind": "box", "low_m": (-0.4, -0.2, 0.0), "high_m": (0.4, 0.2, 0.2)},
                {"kind": "hull_patch", "corner_m": (0, 0, 0), "along_m": (0.1, 0, 0), "across_m": (0, 0.1, 0)},
            ],
            "keep_out": [{"low_m": (0.0, 0.0, 0.0), "high_m": (0.1, 0.1, 0.1)}],
            "shadow": [{"kind": "cylinder", "from_m": (0, 0, 0), "to_m": (0.3, 0, 0), "radius_m": 0.1}],
        }
    )
    scene = load_scene(shipped("examples")["mallard-basin"]).model_copy(update={"mounting": mounting})
    figure = place_plot(replace(result, shipped_by_bearing=None, best_shipped=None, best_scaled=None), scene)
    legend = next(axes.get_legend() for axes in figure.axes if axes.get_legend() is not None)
    assert [text.get_text() for text in legend.get_texts()][1:] == ["mounting region", "keep-out", "body that shadows"]
    figure.canvas.draw()
