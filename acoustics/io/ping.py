"""One located ping: what was measured, the direction and position made from it, and what it rests on."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.io.echo_fix import EchoFix
from acoustics.physics.tdoa import difference_matrix

MISFIT = (
    "the delays do not fit the array (p_value under 0.001): a swapped or inverted channel, an echo inside the window, "
    "wrong integers or a moved hydrophone may be the cause"
)


@record
class Candidate:
    """One direction that fits: bearing and depression in the body frame and their standard deviations [rad].

    A standard deviation of infinity means that the angle is not observed. `probability` is its share of all
    directions, over the integers that fit and over distances and depths as far as they are known; what the candidates
    of a ping lack to 1 was not worth telling. Mirror images in a plane of hydrophones have equal shares.
    `depression_share` is the part of the bearing's variance that an unobserved depression makes: near 1 for a line of
    hydrophones, which observes a cone; else 0.
    """

    bearing: float
    depression: float
    bearing_sd: float
    depression_sd: float
    probability: float = 1.0
    depression_share: float = 0.0


@record
class IntegerAlternative:
    """One way to resolve the integer ambiguity of a ping's carrier phases, with how well it fits.

    Attributes
    ----------
    cycles : tuple of int, n - 1 of them
        Whole periods ``1 / frequency_hz`` to be added to each of the ping's `tdoa_s`; zeros for the first alternative.
    weight : float
        Probability among all vectors of integers that were compared, by phases, build-up and what is known of distance
        and depth [1].
    build_up_misfit : float
        What the build-up of the burst alone says of it: drop of twice the log likelihood from the best alternative.
        Who fits the phases anew, such as several pings together, takes this and not the weight, which holds the misfit
        of the phases to a direction already.
    """

    cycles: tuple[int, ...]
    weight: float
    build_up_misfit: float = 0.0


@record
class NavigatedPose:
    """Pose of the vehicle as its navigation gives it [m, rad], and standard deviations: horizontal, depth, angles."""

    position_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    roll: float = 0.0
    pitch: float = 0.0
    heading: float = 0.0
    position_sd_m: float = 0.0
    depth_sd_m: float = 0.0
    roll_sd: float = 0.0
    pitch_sd: float = 0.0
    heading_sd: float = 0.0

    @property
    def pose(self) -> Pose:
        """The pose without its uncertainty."""
        return Pose(np.array(self.position_m), self.roll, self.pitch, self.heading)


@record
class Ping:
    """What one ping told.

    Attributes
    ----------
    ping : int
        Number in the recording, from 1, in the order of time.
    pinger : str
        Name of the pinger, known by its frequency.
    time_s : float
        When the direct sound reached the first used channel, on the recording's clock [s].
    frequency_hz : float
        Of the pinger's carrier [Hz].
    ok : bool
        Whether the delays, and the bearing made from them, may be used.
    reason : str
        Why not; or, where ok, a remark; mostly empty.
    energy_ratio_db : float
        ``2E/N0`` of the window used [dB]; NaN if no delays were measured.
    window_s : float
        Part of the burst that was used [s]; NaN if no delays were measured.
    method : str
        Of the delays.
    integer_probability : float
        That the carrier's cycles were told right, the weight of the first of `integers` [1]; NaN if that does not
        arise.
    channels : tuple of str, n of them
        Those used.
    hydrophones_m : ndarray, shape (n, 3)
        Nominal places of the channels used, body frame [m].
    tolerances_m : ndarray, shape (n,)
        Standard deviation of those places along each axis [m].
    reference : int
        Index of the reference among the channels used.
    tdoa_s : ndarray, shape (n - 1,)
        Time differences against the reference [s]; shape (0,) if none were measured.
    tdoa_covariance_s2 : ndarray, shape (n - 1, n - 1)
        Of noise and undetected echoes [s^2]; not of skew, sound speed, mounting and attitude, which pings share.
    skew_sd_s : float
        Standard deviation of each channel's unknown skew, the same in all pings of a recorder [s].
    flags : tuple of str
        Faults of channels, in plain words.
    sound_speed_m_s, sound_speed_sd_m_s : float
        Assumed [m/s].
    candidates : tuple of Candidate
        Directions that fit, the likeliest and its mirror image first; empty if none could be given.
    p_value : float
        Probability of residuals at least as large; NaN without a bearing.
    position_m : ndarray, shape (3,), or None
        Body frame [m]; None where not observed.
    position_covariance_m2 : ndarray, shape (3, 3), or None
        Its covariance [m^2].
    position_reason : str
        Why there is no position, or a remark on it.
    pose : NavigatedPose
        Of the vehicle.
    depth_m, depth_sd_m : float or None
        What is known of the pinger's depth [m].
    site_bearing : tuple of float
        Site bearing of each candidate [rad].
    site_position_m : ndarray, shape (3,), or None
        The position in the site frame [m].
    echoes : EchoFix or None
        The place by the echoes; None where no site sketch was given.
    measured_frequency_hz : float
        Of what was heard [Hz]; NaN where it was not measured. `frequency_hz` is the pinger's by the notes.
    integers : tuple of IntegerAlternative
        Vectors of integers that fit, first that of the first candidate, the others by weight; empty where none were
        compared, so that `tdoa_s` stands alone.
    integers_left_out : float
        Share of all vectors compared that `integers` does not list [1].
    lasting_share : float
        Share of `tdoa_covariance_s2` that pings heard at one place have in common: undetected echoes [1].
    """

    ping: int
    pinger: str
    time_s: float
    frequency_hz: float
    ok: bool
    reason: str
    energy_ratio_db: float
    window_s: float
    method: str
    integer_probability: float
    channels: tuple[str, ...]
    hydrophones_m: Floats
    tolerances_m: Floats
    reference: int
    tdoa_s: Floats
    tdoa_covariance_s2: Floats
    skew_sd_s: float
    flags: tuple[str, ...]
    sound_speed_m_s: float
    sound_speed_sd_m_s: float
    candidates: tuple[Candidate, ...]
    p_value: float
    position_m: Floats | None
    position_covariance_m2: Floats | None
    position_reason: str
    pose: NavigatedPose
    depth_m: float | None
    depth_sd_m: float | None
    site_bearing: tuple[float, ...]
    site_position_m: Floats | None
    echoes: EchoFix | None = None
    measured_frequency_hz: float = float("nan")
    integers: tuple[IntegerAlternative, ...] = ()
    integers_left_out: float = 0.0
    lasting_share: float = 0.0

    @property
    def can_calibrate(self) -> bool:
        """Whether a calibration may use the delays: it also takes those that do not fit the array as noted."""
        return (self.ok or self.reason == MISFIT) and len(self.tdoa_s) > 0

    @property
    def single_covariance_s2(self) -> Floats:
        """Covariance of the delays for whoever takes this ping alone: noise and skew [s^2], shape (n - 1, n - 1)."""
        if self.tdoa_s.size == 0:
            return self.tdoa_covariance_s2
        differences = difference_matrix(len(self.channels), self.reference)
        return self.tdoa_covariance_s2 + self.skew_sd_s**2 * (differences @ differences.T)
