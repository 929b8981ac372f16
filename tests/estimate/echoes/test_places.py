"""Places weighed over a right and a wrong sketch, with modes made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.estimate.echoes.fit import VARIANCE_SCALE, Modes, joined
from acoustics.estimate.echoes.paths import FACES, SiteKnowledge
from acoustics.estimate.echoes.places import WRONG_SKETCH, behind_faces, loosened, weighed, with_faces_of, worst_face
from acoustics.io.ping import NavigatedPose
from acoustics.io.site_sketch import faces_sd, site_faces
from acoustics.physics.burst import Burst
from acoustics.scene.scenario import load_scene, shipped

POOL = load_scene(shipped("examples")["mallard-basin"]).pool
_FACES = site_faces(POOL)
KNOWN = SiteKnowledge(
    _FACES, faces_sd(POOL, _FACES), np.zeros((2, 3)), np.full(2, 1e-3), 0.0, NavigatedPose((5.0, 5.0, 0.8)), 1500.0, 1.0,
    Burst(30e3, 4e-3, 8.0), 1.5, 0.1,
)  # fmt: skip


def modes(*places, floor=0.0, sd_m=0.1):
    """Modes of (x, y, log evidence), the first with the floor off by so many standard deviations."""
    n = KNOWN.n_parameters
    state = np.zeros((len(places), n))
    state[:, :2] = np.array(places)[:, :2]
    state[:, FACES] = floor
    covariance = np.tile(np.eye(n) * sd_m**2, (len(places), 1, 1))
    return Modes(state, covariance, np.array(places)[:, 2], np.zeros(len(places)), np.ones(len(places), dtype=int))


def test_evidence_alike_leaves_the_prior():
    places = weighed(KNOWN, modes((9.0, 5.0, -100.0)), loosened(KNOWN), modes((9.0, 5.0, -100.0)))
    assert places.wrong_sketch == pytest.approx(WRONG_SKETCH)
    assert places.far < 0.01


def test_evidence_counts_by_what_widens_the_variances():
    gain = 8.0
    places = weighed(KNOWN, modes((9.0, 5.0, -100.0)), loosened(KNOWN), modes((12.0, 5.0, -100.0 + gain)))
    odds = WRONG_SKETCH / (1 - WRONG_SKETCH) * np.exp(gain / VARIANCE_SCALE)
    assert places.wrong_sketch == pytest.approx(odds / (1 + odds))
    # The first place is that of the wrong sketch; the other, 3 m away, is far.
    assert places.position_m[0, 0] == 12.0
    assert places.far == pytest.approx(1 / (1 + odds), abs=0.01)


def test_a_place_behind_a_face_by_more_than_either_may_be_off_weighs_nothing():
    # Wall 1 of the basin is the line y = 0; it and the place are known to 5 and 14 cm: 2 of both are 0.3 m.
    behind, at_the_wall = modes((12.0, -0.5, -100.0)), modes((12.0, -0.2, -100.0))
    in_the_water = modes((12.0, 5.0, -104.0))
    assert weighed(KNOWN, behind, loosened(KNOWN), in_the_water).position_m[0, 1] == 5.0
    far_better = modes((12.0, -0.5, 5000.0))  # beside it the weight of others is 0 in double precision
    assert weighed(KNOWN, far_better, loosened(KNOWN), in_the_water).probability.tolist() == [1.0]
    assert weighed(KNOWN, at_the_wall, loosened(KNOWN), in_the_water).position_m[0, 1] == -0.2
    # The loosened sketch knows the wall to 0.3 m only.
    assert weighed(KNOWN, in_the_water, loosened(KNOWN), behind).probability[-1] > 0.5 * WRONG_SKETCH
    alone = weighed(KNOWN, behind, loosened(KNOWN), modes((12.0, -2.0, -100.0)))
    named = behind_faces(KNOWN, alone.position_m[:1], alone.covariance_m2[:1])[0]
    assert [name for name, so in zip(_FACES.names, named, strict=True) if so] == ["wall-1"]


def test_states_keep_their_faces_in_metres():
    loose = loosened(KNOWN)
    there = with_faces_of(KNOWN, loose, modes((9.0, 5.0, 0.0), floor=2.0).state)
    assert there[0, FACES] * loose.faces_sd[0] == pytest.approx(2.0 * KNOWN.faces_sd[0])
    np.testing.assert_allclose(with_faces_of(loose, KNOWN, there), modes((9.0, 5.0, 0.0), floor=2.0).state)


def test_the_face_that_is_off_is_named():
    assert worst_face(KNOWN, loosened(KNOWN), modes((9.0, 5.0, 0.0), floor=1.0)).startswith(
        "floor depth is off by +0.30"
    )


def test_modes_from_other_starts_are_joined():
    both = joined(modes((9.0, 5.0, -100.0)), modes((9.01, 5.0, -101.0), (12.0, 5.0, -99.0)))
    np.testing.assert_allclose(both.state[:, 0], [12.0, 9.0])
    assert both.members.tolist() == [1, 2]
