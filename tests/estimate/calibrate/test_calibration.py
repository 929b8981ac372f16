"""Calibration against a general solver, the closed form of a linear case, and finite differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from acoustics.base.errors import ParameterError
from acoustics.base.frames import rotation_matrix, rotation_vector_jacobian
from acoustics.estimate.calibrate.calibration import (
    MANY_REJECTED,
    calibrate_array,
    posterior_covariance,
    predicted_information,
)
from acoustics.estimate.calibrate.model import (
    CalibrationPrior,
    CalibrationRun,
    model_times,
    whitened_derivatives,
    whitening,
)
from acoustics.estimate.calibrate.positions import corrected_positions, in_place
from acoustics.estimate.calibrate.separation import bearing_gain, bearing_sd, find_unseparated, parameter_names
from acoustics.physics.tdoa import difference_matrix

SPEED, CYCLE = 1490.0, 1 / 30e3
HULL = np.array([[0.35, -0.2, 0.1], [0.35, 0.2, 0.1], [-0.35, 0.2, 0.1], [-0.35, -0.2, 0.3]])
N = len(HULL)
NAMES = ("a", "b", "c", "d")


def session_of(headings, *, source=(6.0, 1.0, 2.0), arrival_sd=2e-7, each=2, tilt=0.0):
    """The vehicle at the origin of the site, 1 m down, turned through headings; times still 0."""
    pose = np.repeat(np.arange(len(headings)), each)
    pings, difference = len(pose), difference_matrix(N)
    angles = np.column_stack([np.asarray(headings)[pose], np.full(pings, tilt), np.zeros(pings)])
    white = whitening(difference, arrival_sd**2 * difference @ difference.T)
    return CalibrationRun(
        times_s=np.zeros((pings, N)),
        whitening=np.tile(white, (pings, 1, 1)),
        used=np.ones((pings, N), dtype=bool),
        reference=np.zeros(pings, dtype=int),
        cycle_s=np.full(pings, CYCLE),
        turn=Rotation.from_euler("ZYX", angles).as_matrix(),
        place_m=np.tile([0.0, 0.0, 1.0], (pings, 1)),
        source_m=np.tile(source, (pings, 1)),
        source_index=np.zeros(pings, dtype=int),
        pose_index=pose,
    )


def prior_of(**changes):
    values = {
        "hydrophones_m": HULL,
        "element_sd_m": np.full(N, 2e-3),
        "delay_sd_s": 3e-7,
        "sound_speed_m_s": SPEED,
        "sound_speed_sd_m_s": 3.0,
        "rotation_sd": np.deg2rad([0.5, 0.5, 2.0]),
        "source_sd_m": np.full((1, 3), 0.05),
        "place_sd_m": np.array([0.02, 0.02, 0.05]),
        "wobble_sd": np.full(3, np.deg2rad(0.4)),
    }
    return CalibrationPrior(**(values | changes))


def drawn(run, prior, rng, *, arrival_sd=2e-7):
    """A run with times of drawn errors, and the shared ones drawn, in units of their sd."""
    shared = rng.normal(size=len(prior.shared_sd))
    pose = rng.normal(size=(run.pose_index[-1] + 1, 6))
    times = model_times(run, prior, shared, pose) + rng.normal(size=run.times_s.shape) * arrival_sd
    return run.with_times(times - times[:, :1]), shared


HEADINGS = np.arange(8) * np.pi / 4


def test_the_model_is_the_travel_time_written_out():
    prior, rng = prior_of(), np.random.default_rng(1)
    run = session_of(HEADINGS, tilt=0.1)
    shared, pose = rng.normal(size=len(prior.shared_sd)), rng.normal(size=(8, 6))
    values, own = shared * prior.shared_sd, pose * prior.pose_sd
    found = model_times(run, prior, shared, pose)
    for ping in (0, 5, 15):
        error = own[run.pose_index[ping]]
        turn = Rotation.from_matrix(run.turn[ping]) * Rotation.from_rotvec(error[3:])
        turn = turn * Rotation.from_rotvec(values[4 * N + 1 : 4 * N + 4])
        places = turn.apply(HULL + values[: 3 * N].reshape(N, 3)) + run.place_m[ping] + error[:3]
        source = run.source_m[ping] + values[4 * N + 4 :]
        expected = np.linalg.norm(places - source, axis=-1) / (SPEED + values[4 * N]) + values[3 * N : 4 * N]
        assert found[ping] == pytest.approx(expected, rel=1e-12)


def test_derivatives_are_those_of_the_model():
    prior, rng = prior_of(), np.random.default_rng(2)
    run = session_of(HEADINGS, tilt=0.1)
    shared, pose = rng.normal(size=len(prior.shared_sd)), rng.normal(size=(8, 6))
    _, by_shared, by_pose = whitened_derivatives(run, prior, shared, pose)

    def white(shared, pose):
        return np.einsum("kdn,kn->kd", run.whitening, model_times(run, prior, shared, pose))

    step = 1e-3
    # Central differences leave errors of the order step^2 and of rounding: 1e-5 of derivatives up to thousands.
    scale = np.abs(by_shared).max()
    for k, unit in enumerate(np.eye(len(shared)) * step):
        numeric = (white(shared + unit, pose) - white(shared - unit, pose)) / (2 * step)
        assert by_shared[..., k] == pytest.approx(numeric, abs=1e-5 * scale)
    for k, unit in enumerate(np.eye(6) * step):
        numeric = (white(shared, pose + unit) - white(shared, pose - unit)) / (2 * step)
        assert by_pose[..., k] == pytest.approx(numeric, abs=1e-5 * scale)


@pytest.mark.parametrize("size", [0.0, 1e-6, 0.009, 0.011, 1.0])
def test_rotation_vectors_against_the_matrix_exponential(size):
    vector, change = size * np.array([0.6, 0.0, -0.8]), 1e-6 * np.array([1.0, 2.0, -1.0])

    def generator(v):
        return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])

    assert rotation_matrix(vector) == pytest.approx(expm(generator(vector)), abs=1e-12)
    further = expm(generator(rotation_vector_jacobian(vector) @ change)) @ expm(generator(vector))
    assert rotation_matrix(vector + change) == pytest.approx(further, abs=1e-11)  # second order in the change


def test_the_fit_is_that_of_a_general_solver():
    prior = prior_of()
    run, _ = drawn(session_of(HEADINGS[::2]), prior, np.random.default_rng(3))
    poses, p = 4, len(prior.shared_sd)

    def residuals(x):
        shared, pose = x[:p], x[p:].reshape(poses, 6)
        white = np.einsum("kdn,kn->kd", run.whitening, run.times_s - model_times(run, prior, shared, pose))
        return np.concatenate([white.ravel(), x])

    reference = least_squares(residuals, np.zeros(p + 6 * poses), "3-point", xtol=1e-14, ftol=1e-14, gtol=1e-10)
    found = calibrate_array(run, prior)
    assert found.ok and found.kept.all() and not found.cycles.any()
    q = 4 * N + 4
    # Both stop when the next step is far below a standard deviation; scipy takes its derivative by central differences.
    assert found.parameters / prior.calibration_sd == pytest.approx(reference.x[:q], abs=1e-4)
    assert found.chi2 == pytest.approx(2 * reference.cost, rel=1e-6)
    covariance = np.linalg.inv(reference.jac.T @ reference.jac)[:q, :q]
    scale = prior.calibration_sd
    assert found.covariance / scale / scale[:, None] == pytest.approx(covariance, abs=1e-4)
    assert posterior_covariance(found.information, scale) == pytest.approx(found.covariance, rel=1e-6, abs=1e-20)


def test_a_linear_case_has_its_closed_form():
    """Known attitude and speed, a source 1e6 m away: delays are linear in offsets and channel delays."""
    none = np.zeros(3)
    prior = prior_of(
        sound_speed_sd_m_s=0.0, rotation_sd=none, source_sd_m=np.zeros((1, 3)), place_sd_m=none, wobble_sd=none
    )
    arrival_sd = 1e-6
    run = session_of(HEADINGS, source=(1e6, 0.0, 1.0), arrival_sd=arrival_sd, each=1)
    rng = np.random.default_rng(4)
    truth = rng.normal(size=4 * N) * prior.calibration_sd[: 4 * N]
    toward = np.swapaxes(run.turn, -1, -2) @ [1.0, 0.0, 0.0]
    difference, rows = difference_matrix(N), []
    for unit in toward:
        by_offset = np.kron(np.eye(N), -unit / SPEED)
        rows.append(difference @ np.hstack([by_offset, np.eye(N)]))
    design = np.concatenate(rows)
    nominal = np.concatenate([difference @ (-HULL @ unit / SPEED) for unit in toward])
    noise = np.kron(np.eye(len(toward)), arrival_sd**2 * difference @ difference.T)
    data = nominal + design @ truth + rng.multivariate_normal(np.zeros(len(noise)), noise)
    # Bayesian linear model: Kay 1993, Fundamentals of Statistical Signal Processing, theorem 11.1.
    sd = prior.calibration_sd[: 4 * N]
    inverse = np.linalg.inv(noise)
    covariance = np.linalg.inv(design.T @ inverse @ design + np.diag(sd**-2))
    mean = covariance @ design.T @ inverse @ (data - nominal)
    times = np.column_stack([np.zeros(len(toward)), data.reshape(-1, N - 1)])
    found = calibrate_array(run.with_times(times), prior)
    # At 1e6 m a travel time keeps 1e-13 s, and the wave's curvature is 1e-7 m.
    assert found.parameters[: 4 * N] / sd == pytest.approx(mean / sd, abs=1e-4)
    assert np.sqrt(np.diagonal(found.covariance))[: 4 * N] == pytest.approx(np.sqrt(np.diagonal(covariance)), rel=1e-5)
    assert not found.parameters[4 * N :].any()


def test_wrong_cycles_are_put_right_and_nonsense_is_left_out():
    prior, rng = prior_of(), np.random.default_rng(5)
    run, _ = drawn(session_of(HEADINGS, each=3), prior, rng)
    clean = calibrate_array(run, prior)
    times = run.times_s.copy()
    times[2, 1] += CYCLE
    times[7, 1:] -= CYCLE  # the reference itself
    times[11, 3] += 0.4 * CYCLE  # no whole cycle: an echo, say
    found = calibrate_array(run.with_times(times), prior)
    assert found.ok
    assert found.cycles[2].tolist() == [0, 1, 0, 0] and found.cycles[7].tolist() == [0, -1, -1, -1]
    assert np.flatnonzero(~found.kept).tolist() == [11]
    sd = np.sqrt(np.diagonal(clean.covariance))
    assert np.all(np.abs(found.parameters - clean.parameters) < 0.7 * sd)  # one ping of 24 less
    assert found.rms_after_s[2] < 3e-6 < found.rms_after_s[11]


def test_onsets_have_no_cycle_to_put_right():
    prior = prior_of()
    run, _ = drawn(session_of(HEADINGS), prior, np.random.default_rng(6))
    times = run.times_s.copy()
    times[2, 1] += CYCLE
    found = calibrate_array(replace(run, times_s=times, cycle_s=np.full(len(times), np.inf)), prior)
    assert not found.cycles.any() and np.flatnonzero(~found.kept).tolist() == [2]


def test_a_missing_channel_and_another_reference_change_little():
    prior = prior_of()
    run, shared = drawn(session_of(HEADINGS, each=3), prior, np.random.default_rng(7))
    used, white, reference, times = (a.copy() for a in (run.used, run.whitening, run.reference, run.times_s))
    for ping, columns, ref in ((1, [0, 2, 3], 1), (4, [0, 1, 2, 3], 3)):
        difference = difference_matrix(len(columns), ref)
        white[ping] = 0
        white[ping][: len(columns) - 1, columns] = whitening(difference, 4e-14 * difference @ difference.T)
        used[ping] = np.isin(np.arange(N), columns)
        reference[ping] = columns[ref]
        times[ping] = np.where(used[ping], times[ping] - times[ping, columns[ref]], 0.0)
    whole = calibrate_array(run, prior)
    found = calibrate_array(replace(run, used=used, whitening=white, reference=reference, times_s=times), prior)
    assert found.ok and found.dof == whole.dof - 1
    sd = np.sqrt(np.diagonal(whole.covariance))
    assert np.all(np.abs(found.parameters - whole.parameters) < 0.5 * sd)


def test_a_depth_that_is_not_known_is_found_from_any_start():
    prior = prior_of(source_sd_m=np.array([[0.02, 0.02, 3.0 / np.sqrt(12)]]))
    run = session_of(HEADINGS, source=(4.0, 0.5, 1.5))
    for depth_sd in (-1.7, 1.7):
        pose = np.zeros((8, 6))
        shared = np.zeros(len(prior.shared_sd))
        shared[-1] = depth_sd
        times = model_times(run, prior, shared, pose)
        found = calibrate_array(run.with_times(times - times[:, :1]), prior)
        assert found.ok
        assert abs(found.source_error_m[0, 2] - depth_sd * prior.source_sd_m[0, 2]) < 3 * found.source_sd_m[0, 2]
        assert found.source_sd_m[0, 2] < 0.1


def test_sessions_of_a_batch_are_independent():
    prior, rng = prior_of(), np.random.default_rng(8)
    runs = [drawn(session_of(HEADINGS), prior, rng)[0] for _ in range(3)]
    together = calibrate_array(runs[0].with_times(np.stack([r.times_s for r in runs])), prior)
    for k, run in enumerate(runs):
        alone = calibrate_array(run, prior)
        scale = np.sqrt(np.diagonal(alone.covariance))
        assert together.parameters[k] / scale == pytest.approx(alone.parameters / scale, abs=1e-4)


def test_nonsense_is_refused_with_a_reason():
    prior, rng = prior_of(), np.random.default_rng(9)
    run = session_of(HEADINGS)
    found = calibrate_array(
        replace(
            run,
            times_s=rng.uniform(-2e-4, 2e-4, size=run.times_s.shape) * (np.arange(N) > 0),
            cycle_s=np.full(16, np.inf),
        ),
        prior,
    )
    assert not found.ok and found.reason == MANY_REJECTED


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"element_sd_m": np.full(N, -1.0)}, "element_sd_m"),
        ({"sound_speed_m_s": 0.0}, "sound_speed_m_s=0.0: expected a value above 0"),
        ({"rotation_sd": np.zeros(2)}, r"rotation_sd has shape \(2,\): expected \(3,\)"),
    ],
)
def test_wrong_priors_are_refused(change, message):
    with pytest.raises(ParameterError, match=message):
        prior_of(**change)


def test_wrong_sessions_are_refused():
    run = session_of(HEADINGS)
    with pytest.raises(ParameterError, match="pose_index: expected at least one ping"):
        replace(run, pose_index=run.pose_index[::-1])
    with pytest.raises(ParameterError, match="place_m has shape"):
        replace(run, place_m=np.zeros(3))
    with pytest.raises(ParameterError, match="not positive definite"):
        whitening(difference_matrix(3), -np.eye(2))


def directions_of(run):
    sight = np.einsum("kj,kji->ki", run.source_m - run.place_m, run.turn)
    return sight / np.linalg.norm(sight, axis=-1, keepdims=True)


def separation(run, prior):
    information = predicted_information(run, prior)
    return find_unseparated(information, prior.calibration_sd, prior.hydrophones_m, directions_of(run), SPEED, NAMES)


def test_what_no_delay_can_tell_has_no_information():
    prior, run = prior_of(), session_of(HEADINGS, source=(2000.0, 0.0, 300.0))
    information = predicted_information(run, prior) / np.outer(prior.calibration_sd, prior.calibration_sd)
    p = 4 * N + 4
    common, shift, turn, scale = np.zeros((4, p))
    common[3 * N : 4 * N] = 1e-7
    shift[: 3 * N] = np.tile([1e-3, 0, 0], N)
    turn[: 3 * N], turn[4 * N + 3] = np.cross([0, 0, 1e-2], HULL).ravel(), -1e-2
    scale[: 3 * N], scale[4 * N] = 1e-3 * HULL.ravel(), 1e-3 * SPEED
    seen = np.zeros(p)
    seen[0] = 1e-3
    for vector in (common, shift, turn, scale):
        assert vector @ information @ vector < 1e-3
    assert seen @ information @ seen > 10
    # Exactly: only differences are heard, and the turn is one of the model's own symmetries. Rounding is left.
    assert abs(common @ information @ common) < 1e-8 and abs(turn @ information @ turn) < 1e-6


def test_what_is_not_separated_is_named_and_counted_once():
    prior = prior_of(source_sd_m=np.full((1, 3), 1e-3))
    # Seen from far off the array's scale counts as well; level, the z of each hydrophone is not seen at all.
    found = separation(session_of(HEADINGS, source=(300.0, 0.0, 1.0)), prior)
    named = {c.what.split(":")[0].split(",")[0]: (c.unseen, c.of) for c in found.named}
    assert named["a delay common to all channels"] == (1, 1)
    assert named["a shift of the whole array"] == (3, 3)
    assert named["the array's scale against the sound speed"] == (1, 1)
    assert named["offsets of single hydrophones along z (down)"][0] >= N - 3  # shift and turns hold the others
    assert sum(c.unseen for c in found.named) + len(found.rest) == found.unseen < found.of == 4 * N + 4


def test_one_heading_hides_more_than_many():
    prior = prior_of()
    one, many = (separation(session_of(h, each=16 // len(h)), prior) for h in (HEADINGS[:1], HEADINGS))
    assert one.unseen > many.unseen


def test_known_parameters_are_left_out():
    none = np.zeros(3)
    prior = prior_of(delay_sd_s=0.0, sound_speed_sd_m_s=0.0, rotation_sd=none)
    found = separation(session_of(HEADINGS), prior)
    assert found.of == 3 * N
    assert not any("channel delays" in c.what or "sound speed" in c.what for c in found.named)
    assert len(parameter_names(NAMES)) == 4 * N + 4


def test_positions_in_place_and_their_covariance():
    prior = prior_of()
    run, _ = drawn(session_of(HEADINGS), prior, np.random.default_rng(10))
    found = calibrate_array(run, prior)
    placed, derivative = in_place(HULL, found.parameters)
    turn = Rotation.from_rotvec(found.parameters[4 * N + 1 :])
    assert placed[: 3 * N].reshape(N, 3) == pytest.approx(
        turn.apply(HULL + found.parameters[: 3 * N].reshape(N, 3)), abs=1e-12
    )
    step = 1e-6
    for k, unit in enumerate(np.eye(4 * N + 4) * step):
        numeric = (in_place(HULL, found.parameters + unit)[0] - in_place(HULL, found.parameters - unit)[0]) / (2 * step)
        assert derivative[:, k] == pytest.approx(numeric, abs=1e-7)
    _, sd = corrected_positions(HULL, found)
    # A shift of all alike left out: against draws of the posterior; 4,000 give an sd to 1 %.
    draws = np.random.default_rng(11).multivariate_normal(found.parameters, found.covariance, size=4000)
    places = in_place(HULL, draws)[0][:, : 3 * N].reshape(-1, N, 3)
    relative = places - places.mean(axis=1, keepdims=True)
    spread = np.sqrt(relative.var(axis=0).mean(axis=-1) * N / (N - 1))
    assert sd == pytest.approx(spread, rel=0.05)


def test_bearing_errors_are_those_of_a_refitted_bearing():
    prior, rng = prior_of(), np.random.default_rng(12)
    gain = bearing_gain(HULL, SPEED, n_bearings=12)
    error = rng.normal(size=4 * N + 4) * prior.calibration_sd * 0.01
    for k, bearing in enumerate(np.arange(12) * np.pi / 6):
        unit = np.array([np.cos(bearing), np.sin(bearing), 0.0])
        turn = Rotation.from_rotvec(error[4 * N + 1 :])
        true = -turn.apply(HULL + error[: 3 * N].reshape(N, 3)) @ unit / (SPEED + error[4 * N]) + error[3 * N : 4 * N]

        def misfit(b, true=true):
            model = -HULL @ np.array([np.cos(b[0]), np.sin(b[0]), 0.0]) / SPEED
            return 1e6 * ((true - true.mean()) - (model - model.mean()))

        fitted = least_squares(misfit, [bearing], xtol=1e-14, ftol=1e-14, gtol=1e-14).x[0]
        assert gain[k] @ error == pytest.approx(fitted - bearing, abs=2e-6)  # second order in the errors
    assert bearing_sd(gain, np.diag(prior.calibration_sd**2)) > bearing_sd(
        gain, 0.25 * np.diag(prior.calibration_sd**2)
    )
