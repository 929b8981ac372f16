"""Several pingers planned together: spacing and rate serve all of them, and the answer says which one decides."""

from __future__ import annotations

import numpy as np
import pytest
from quick import good

import acoustics
from acoustics.present.text.check import who_decides
from acoustics.present.text.spacing import recommendation_sentence
from acoustics.scene.scenario import shipped

pytestmark = pytest.mark.usefixtures("few")

SCENE = acoustics.load_scene(shipped("examples")["mallard-basin"])
OWN = SCENE.pingers[0]


def with_another(**changes):
    other = OWN.model_copy(update={"name": "other pinger", "position_m": (20.0, 4.0, 2.4), **changes})
    return SCENE.changed({"pinger": [OWN, other]})


@pytest.fixture(scope="module")
def high():
    """The other one at 40 kHz and weaker."""
    return with_another(frequency_hz=40e3, source_level_db=150.0)


@pytest.fixture(scope="module")
def joint(high):
    return acoustics.spacing(high, trials=200)


@pytest.mark.slow
def test_the_recommendation_serves_every_pinger(high, joint):
    choice = joint.recommendation
    top = max(p.band_hz[1] for p in high.pingers)
    assert choice.sample_rate_hz >= 2.5 * top
    # Half a wavelength of the highest is the textbook limit free of ambiguity (a plane wave, phase alone).
    if choice.wrong_integer < 1e-4:
        assert choice.spacing_m <= high.sound_speed_m_s / (2 * 40e3)
    assert [each.pinger for each in joint.each_pinger] == [p.name for p in high.pingers]
    assert joint.pinger == "other pinger"  # weaker, and its wavelength is shorter
    assert "decides the spacing" in recommendation_sentence(joint)


@pytest.mark.slow
def test_alone_each_takes_what_it_takes_without_the_other(high, joint):
    alone = acoustics.spacing(high, OWN, trials=2000).recommendation
    own = joint.each_pinger[0]
    assert (own.alone_spacing_m, own.alone_sample_rate_hz) == (
        pytest.approx(alone.spacing_m, rel=0.06),  # the two sweeps have steps of 6 % at different places
        alone.sample_rate_hz,
    )


@pytest.mark.slow
def test_a_single_pinger_has_nobody_beside_it():
    study = acoustics.spacing(SCENE, trials=50)
    assert study.each_pinger == () and "decides" not in str(study)
    assert acoustics.check(SCENE).pingers == ()


@pytest.mark.slow
def test_twins_of_one_place_take_what_one_takes():
    twin = acoustics.spacing(with_another(position_m=(20.0, 8.0, 2.3)), trials=50)
    one, both = (study.each_pinger[0] for study in (twin, twin))
    assert one.alone_spacing_m == pytest.approx(twin.recommendation.spacing_m, rel=0.06)
    assert both.expected_deg <= twin.recommendation.expected_deg * (1 + 1e-9)


def test_check_sets_them_side_by_side(high):
    found = acoustics.check(high)
    weaker = found.pingers[1]
    assert found.pingers[0].bearing_deg == acoustics.budget(high, OWN).bearing_deg
    assert weaker.free_spacing_m < found.pingers[0].free_spacing_m
    assert not np.isnan(weaker.wrong_integer)
    said = who_decides(found)
    assert said.startswith("Both pingers count: other pinger decides the spacing free of ambiguity")
    assert acoustics.check(high, "other pinger").pingers == ()


@pytest.mark.slow
def test_the_commands_say_it(tmp_path):
    text = shipped("examples")["mallard-basin"].read_text(encoding="utf-8")
    block = text[text.index("[[pinger]]") : text.index("[array]")]
    both = tmp_path / "both.toml"
    second = block.replace("amber pinger", "low pinger").replace("8.0, 2.4", "4.0, 2.4").replace("30000.0", "25000.0")
    both.write_text(text.replace("[array]", second + "[array]", 1), encoding="utf-8")
    assert "for both pingers" in good("spacing", str(both), "--trials", "20").replace("\n", " ")
    assert "for both pingers" not in good("spacing", str(both), "--trials", "20", "--pinger", "low pinger")
    assert "Both pingers count" in good("check", str(both))
