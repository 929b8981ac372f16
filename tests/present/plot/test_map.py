"""The map as text and as a picture, and the plan that every picture of the pool shares."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from acoustics.base.errors import ParameterError
from acoustics.base.intervals import Interval
from acoustics.present.plot.map import map_plot
from acoustics.present.plot.pool_view import draw_plan, frame_plan, site_limits, site_views
from acoustics.present.text.map import echo_rows, map_text, station_rows
from acoustics.scene.keep_out import KeepOut
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.map.echoes import EchoPlace
from acoustics.study.map.study import MapChoices, map_pool

POOL = load_scene(shipped("examples")["mallard-basin"])
LAKE = load_scene(shipped("examples")["fennel-reservoir"])
PLACE = EchoPlace(
    x_m=5.0,
    y_m=4.0,
    heading_deg=20.0,
    pings=8,
    bound_deg=3.5,
    bias_deg=Interval(-1.25, -2.0, -0.5),
    rms_deg=Interval(4.0, 3.0, 5.0),
    without_rms_deg=Interval(3.0, 2.0, 4.0),
    refused=0.25,
    without_refused=0.0,
    wrong_integer=0.0,
    fixes=0.5,
    range_bias_m=None,
)
SILENT = dataclasses.replace(PLACE, x_m=20.0, bias_deg=None, rms_deg=None, without_rms_deg=None, refused=1.0, fixes=0.0)


def mapped(scene=POOL, trials=3, **choices):
    result = map_pool(scene, scene.pingers[0], trials=trials, seed=1, step_m=2.5, choices=MapChoices(**choices))
    return dataclasses.replace(result, echoes=(PLACE, SILENT))


def panels(figure):
    return {axes.get_title("left"): axes for axes in figure.axes if axes.get_title("left")}


def written(axes):
    return [text.get_text() for text in axes.texts]


def zone():
    return KeepOut.model_validate({"name": "lane", "outline_m": [[9, 8], [11, 8], [11, 11], [9, 11]]})


def test_the_text_tells_station_and_echoes():
    text = map_text(mapped())
    assert "What one ping's fix says of the station: it is amber" in text
    assert "none of these, wrongly" in text
    assert "-1.2 (-2.0 to -0.50)" in text
    assert "Echoes: 8 pings at each place" in text
    assert "mounting.shadow" not in text
    assert max(map(len, text.splitlines()[1:])) <= 100


def test_rows_of_a_place_with_and_without_answers():
    header, rows = echo_rows(mapped())
    assert [len(row) for row in rows] == [len(header)] * 2
    assert rows[0][2:] == ("3.5", "3.0", "4.0 (3.0 to 5.0)", "-1.2 (-2.0 to -0.50)", "25 %", "50 %")
    assert rows[1][3:6] == ("none", "none", "none")
    assert rows[1][6] == "100 %"
    farther = dataclasses.replace(PLACE, range_bias_m=Interval(0.4, -0.1, 0.9))
    header, rows = echo_rows(dataclasses.replace(mapped(), echoes=(farther, SILENT)))
    assert (header[-1], rows[0][-1]) == ("added to distance, m", "+0.40 (-0.10 to +0.90)")


def test_shares_of_the_station_add_up():
    _, rows = station_rows(mapped(trials=0))
    assert len(rows) == 4
    assert {row[2] for row in rows} == {"none"}  # nothing was simulated
    shares = [share.predicted for share in mapped(trials=0).stations.over_cells]
    assert sum(shares) == pytest.approx(1.0)


def test_without_stations_and_echoes_the_text_says_nothing_of_them():
    scene = POOL.model_copy(update={"stations": ()})
    result = dataclasses.replace(mapped(scene), echoes=())
    assert "tation" not in map_text(result)
    assert "echoes do" not in map_text(result)
    assert station_rows(result) == ((), [])
    titles = panels(map_plot(result, scene, scene.pingers[0]))
    assert "Multipath-free window before the first strong echo" in titles
    assert not any("station" in title for title in titles)


def test_the_text_says_what_a_shadow_costs():
    tube = {"kind": "cylinder", "from_m": (-0.3, 0.0, 0.12), "to_m": (0.25, 0.0, 0.12), "radius_m": 0.1}
    mounting = POOL.mounting.model_validate({"shadow": [tube]})
    text = map_text(mapped(POOL.model_copy(update={"mounting": mounting, "array": load_array("hull-4")})))
    assert "bodies of the vehicle, hide the pinger from" in " ".join(text.split())


@pytest.mark.slow
@pytest.mark.parametrize("over", ["vehicle", "pinger"])
@pytest.mark.parametrize("trials", [0, 3])
def test_the_picture_marks_places_with_their_figures(over, trials):
    result = mapped(trials=trials, over=over)
    axes = panels(map_plot(result, POOL, POOL.pingers[0]))
    assert len(axes) == (6 if trials else 4)
    station = next(panel for title, panel in axes.items() if "right station" in title)
    assert set(written(station)) >= {"amber", "teal", "violet", "white"}
    assert ("amber pinger" in written(station)) == (over == "vehicle")
    assert ("Dipper" in written(station)) == (over == "pinger")
    window = next(panel for title, panel in axes.items() if title.startswith("Multipath-free window"))
    assert {"-1.2 ± 0.8°\nRMS 4.0°", "100 % refused"} <= set(written(window))
    low, high = window.get_ylim()
    assert low > high  # y runs downwards, to the right of x


def test_many_places_are_marked_without_their_figures():
    result = dataclasses.replace(mapped(), echoes=(PLACE,) * 20)
    axes = panels(map_plot(result, POOL, POOL.pingers[0]))
    window = next(panel for title, panel in axes.items() if title.startswith("Multipath-free window"))
    assert not any("RMS" in text for text in written(window))


def test_a_grid_of_one_row_is_refused_as_a_picture():
    plan = POOL.study.model_copy(update={"map_extent_m": (2.0, 4.0, 20.0, 5.0)})
    scene = POOL.model_copy(update={"study": plan})
    result = map_pool(scene, scene.pingers[0], trials=0, seed=1, step_m=2.0)
    with pytest.raises(ParameterError, match="fewer than two cells along a side"):
        map_plot(result, scene, scene.pingers[0])


def test_a_plan_draws_outline_zones_and_what_is_asked_for():
    scene = POOL.model_copy(update={"keep_outs": (zone(),)})
    axes = Figure().subplots()
    frame_plan(axes, *site_limits(scene))
    draw_plan(axes, scene, stations=False, pingers=scene.pingers, vehicle=True)
    outlines = [patch.get_xy()[:-1] for patch in axes.patches if isinstance(patch, Polygon)]
    assert any(np.array_equal(outline, scene.pool.outline_m) for outline in outlines)
    assert any(np.array_equal(np.sort(o, axis=0), np.sort(zone().outline_m, axis=0)) for o in outlines)
    assert set(written(axes)) >= {"lane", "amber pinger", "Dipper"}
    assert "teal" not in written(axes)
    assert axes.get_aspect() == 1.0


@pytest.mark.slow
def test_every_picture_of_the_pool_shows_the_keep_out_zones():
    scene = POOL.model_copy(update={"keep_outs": (zone(),)})
    figures = [site_views(scene), map_plot(mapped(scene, trials=0), scene, scene.pingers[0])]
    for figure in figures:
        assert any("lane" in written(axes) for axes in figure.axes)


@pytest.mark.slow
def test_open_water_is_framed_by_the_grid():
    result = mapped(LAKE, trials=0)
    axes = next(iter(panels(map_plot(result, LAKE, LAKE.pingers[0])).values()))
    assert axes.get_xlim()[0] < result.x_m[0] < result.x_m[-1] < axes.get_xlim()[1]
    assert axes.get_xlim()[1] < 70
