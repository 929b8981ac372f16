"""One ping, a site sketch and a pose to a position, its other modes, and whether the sketch fits what was heard."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import chdtrc

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.echoes.baseband import Baseband, BurstTable, burst_table, to_baseband
from acoustics.estimate.echoes.fit import SMOOTH, Modes, fit_modes, further_modes, joined
from acoustics.estimate.echoes.likelihood import unexplained
from acoustics.estimate.echoes.paths import ATTITUDE, FACES, SiteKnowledge, X, Y
from acoustics.estimate.echoes.places import Places, behind_faces, loosened, weighed, with_faces_of, worst_face
from acoustics.estimate.echoes.search import (
    AROUND,
    AROUND_M,
    DirectBearing,
    Grid,
    SearchRegion,
    around,
    best_of,
    new_grid,
    start_states,
)
from acoustics.estimate.echoes.window import other_window, useful_window
from acoustics.estimate.tdoa import Segment
from acoustics.io.echo_fix import FAR_M, EchoFix, EchoMode, FaceOffset

N_STARTS, _MOST_STARTS = 16, 48  # the others where none of the first explains the samples well
# Of what the model allows to be unexplained: right places leave -0.02 to 0.25 of it in nine of ten simulated pings,
# places found where the search missed the right one 0.4 and more.
_POOR = 0.3
# So well that no other place need be looked for: places in regions 2.5 m off the right one left 0.2 and more.
_GOOD = 0.1
_FEW = 2  # starts that led to the best place: by so few it may be one of many that fit
_LIKELY = 96  # cells of which those are taken that also fit what is heard later
MISFIT_P = 1e-3
_LOOSE_STARTS, _SHIFTED_STARTS = 6, 12  # there, with the floor as sketched and shifted
# Finer than twice what a path is taken to be known to: with steps of 0.2 m a floor 0.28 m off was missed.
_FLOOR_SHIFTS_M = (-0.42, -0.28, -0.14, 0.14, 0.28, 0.42)
MOST_WRONG_SKETCH = 0.5
MOST_FAR = 1 / 3  # odds of two to one for the best place: a choice, and `EchoFix.sure` asks for nine to one
_SAME_M = 0.3  # between the places by different samples that bear each other out
_MOST_ROUNDS, _GAIN_NATS = 3, 0.1  # of looking about the best place, while that gains so much evidence
# Where no start led there but looking about another place: of 48 simulated pings six such were 0.2 m off and more, one
# by 1.5 m with a far better place among the likeliest 24 about it, not among eight.
_ABOUT_UNFOUND = 24
_REGION_STARTS, _REGION_LOOSE, _REGION_AROUND_M = 6, 2, 0.6
_LEAD_S = 2e-4  # of samples before the direct sound
_LEAST_CONSTANTS = 3.0  # of the burst's build-up: shorter samples tell nothing of echoes


def locate_by_echoes(
    segment: Segment,
    known: SiteKnowledge,
    *,
    noise_density: Floats,
    onset_s: float,
    bearings: tuple[DirectBearing, ...] = (),
    places_m: Floats | None = None,
    region: SearchRegion | None = None,
) -> EchoFix:
    """Position from one ping whose echoes count as measurements.

    Parameters
    ----------
    segment : Segment
        One ping, shape (n_channels, n_samples), with at least a burst's length of samples after its onset [Pa].
    known : SiteKnowledge
        Sketch, array, pose, water and burst, with what is not known of them.
    noise_density : ndarray, shape (n_channels,)
        One-sided [Pa^2/Hz].
    onset_s : float
        When the direct sound came to the first hydrophone, after sample 0 [s]; good to the burst's build-up.
    bearings : tuple of DirectBearing
        What the direct sound says; none: the whole circle is searched.
    places_m : ndarray, shape (n, 3), optional
        Where the pinger may be, such as the stations: tried besides [m].
    region : SearchRegion, optional
        Where it should be, as by an earlier ping: looked at first, and alone where a place in it explains the samples
        well, or fairly and the likeliest of all cells lies in it. It weighs no place: pings stay independent.

    Returns
    -------
    EchoFix

    Raises
    ------
    ParameterError
        If the shapes do not fit each other.

    Notes
    -----
    Echoes as direct sound at mirrored hydrophones, position and the site's errors fitted together: multipath-assisted
    positioning with virtual anchors (P. Meissner et al., IEEE Wireless Commun. Lett. 3, 461-464 (2014); E. Leitinger et
    al., IEEE J. Sel. Areas Commun. 33, 2313-2328 (2015)), and focalization, matched-field processing that searches the
    environment with the source (M. D. Collins and W. A. Kuperman, J. Acoust. Soc. Am. 90, 1410-1422 (1991)). All
    channels are fitted coherently with one free amplitude for each path by variable projection, see `likelihood`.
    """
    density = checked("noise_density", noise_density, above=0.0)
    if segment.pressure.ndim != 2 or density.shape != (segment.n_channels,):
        raise ParameterError(
            f"pressure {segment.pressure.shape} and noise_density {density.shape}: expected (n_channels, n_samples) "
            "and (n_channels,)"
        )
    if known.hydrophones_m.shape != (segment.n_channels, 3):
        raise ParameterError(f"hydrophones_m {known.hydrophones_m.shape}: expected ({segment.n_channels}, 3)")
    burst = known.burst
    if burst.sweep_hz:
        return EchoFix(False, "the burst is swept: echoes are used of tone bursts only")
    if not known.faces.names:
        return EchoFix(False, "the site sketch has no face that reflects")
    ping = _Ping(segment, known, density, onset_s, bearings)
    heard = ping.heard(burst.length_s)
    if heard.window_s < _LEAST_CONSTANTS * burst.q / (np.pi * burst.frequency_hz):
        return EchoFix(False, "the samples end before an echo could be told")
    near, left = (None, np.inf) if region is None else _found_in(region, ping, heard)
    if near is not None and left <= _GOOD:
        return near
    places = np.empty((0, 3)) if places_m is None else checked("places_m", places_m).reshape(-1, 3)
    grid = new_grid(known, bearings, places, heard.window_s)
    if grid is None:
        return EchoFix(False, "no place in the water of the site sketch lies on the bearing")
    loose = loosened(known)
    likely = ping.starts(known, heard, grid, _LIKELY)
    if near is not None and region is not None and region.holds(likely[0, [X, Y]]):
        return near
    free_starts = [with_faces_of(known, loose, likely[:_LOOSE_STARTS])]
    at_first = heard
    heard, starts = ping.long_enough(heard, likely)
    if "floor_depth" in known.faces.parameters:
        shifted = ping.starts(loose, at_first, grid, _LIKELY // 2, _FLOOR_SHIFTS_M)
        given = loose, heard.baseband, heard.table
        free_starts.append(best_of(*given, shifted, window_s=heard.window_s, count=_SHIFTED_STARTS))

    def in_other_samples(modes: Modes, found: Modes | None) -> Modes:
        other = ping.heard(other_window(known, heard.window_s, ping.longest_s))
        given = known, other.baseband, other.table
        if found is not None:
            return further_modes(*given, modes.state[:1], found, window_s=other.window_s)
        begin = best_of(*given, likely, window_s=other.window_s, count=N_STARTS)
        return fit_modes(*given, np.concatenate([modes.state[:1], begin]), window_s=other.window_s)

    fitted = _fitted(known, loose, heard, starts[:_MOST_STARTS], free_starts, in_other_samples)
    return _judged(fitted, heard)


def _found_in(region: SearchRegion, ping: _Ping, heard: Heard) -> tuple[EchoFix | None, float]:
    """The answer of a region and what it leaves unexplained; None where another place may explain it better."""
    known = ping.known
    grid = new_grid(known, ping.bearings, np.empty((0, 3)), heard.window_s, region)
    if grid is None:
        return None, np.inf
    loose = loosened(known)
    heard, starts = ping.long_enough(heard, ping.starts(known, heard, grid, _REGION_STARTS))
    fitted = _fitted(known, loose, heard, starts, [with_faces_of(known, loose, starts[:_REGION_LOOSE])])
    fix, left = _judged(fitted, heard), unexplained(heard.baseband, SMOOTH, fitted.modes.misfit[0])
    explained = left <= _GOOD or (fix.ok and left <= _POOR)
    return (fix if explained and region.holds(fitted.modes.state[0, [X, Y]]) else None), left


@record
class Heard:
    """The samples used, so long after the onset [s], and the burst as they hear it."""

    baseband: Baseband
    table: BurstTable
    window_s: float

    @property
    def n_numbers(self) -> int:
        """How many real numbers the samples hold."""
        return 2 * self.baseband.samples.size


@record
class _Ping:
    """What `locate_by_echoes` is given."""

    segment: Segment
    known: SiteKnowledge
    noise_density: Floats
    onset_s: float
    bearings: tuple[DirectBearing, ...]

    @property
    def longest_s(self) -> float:
        """How long the samples last after the onset [s]."""
        return self.segment.pressure.shape[1] / self.segment.sample_rate_hz - self.onset_s

    def heard(self, window_s: float) -> Heard:
        """The samples up to so long after the onset [s]."""
        known, burst = self.known, self.known.burst
        # It may have come to another hydrophone before.
        ahead = np.linalg.norm(known.hydrophones_m - known.hydrophones_m[0], axis=-1).max() / known.sound_speed_m_s
        baseband = to_baseband(
            self.segment.pressure,
            self.segment.sample_rate_hz,
            burst.frequency_hz,
            offset_s=np.asarray(self.segment.sampling_offset_s),
            noise_density=self.noise_density,
            begin_s=self.onset_s - ahead - _LEAD_S,
            end_s=self.onset_s + window_s,
        )
        window = float(baseband.time_s[0, -1]) - self.onset_s if baseband.samples.shape[1] else 0.0
        return Heard(baseband, burst_table(burst, baseband), window)

    def starts(
        self, knowledge: SiteKnowledge, heard: Heard, grid: Grid, count: int, floor_shifts_m: tuple[float, ...] = ()
    ) -> Floats:
        """The likeliest places of a grid, see `start_states`."""
        return start_states(
            knowledge,
            heard.baseband,
            heard.table,
            grid,
            onset_s=self.onset_s,
            bearings=self.bearings,
            count=count,
            floor_shifts_m=floor_shifts_m,
        )

    def long_enough(self, heard: Heard, likely: Floats) -> tuple[Heard, Floats]:
        """Samples that tell where among likely places the pinger is, and these in the order in which they fit them."""
        window = useful_window(self.known, likely, self.bearings, self.longest_s)
        if window <= heard.window_s:
            return heard, likely
        heard = self.heard(window)
        given = self.known, heard.baseband, heard.table
        return heard, best_of(*given, likely, window_s=heard.window_s, count=_MOST_STARTS)


def _fitted(
    known: SiteKnowledge,
    loose: SiteKnowledge,
    heard: Heard,
    starts: Floats,
    free_starts: list[Floats],
    in_other_samples: Callable[[Modes, Modes | None], Modes] | None = None,
) -> Fitted:
    """Modes by the sketch, from more starts where those of the first fit badly, then by the loosened one from these.

    Where few starts led to the best place or it fits badly, other samples are asked, too. Without any, as in a region
    that holds the place or not, what fits badly is left at that.
    """
    within_m = AROUND_M if in_other_samples else _REGION_AROUND_M

    def modes_from(knowledge: SiteKnowledge, starts: Floats) -> Modes:
        return fit_modes(knowledge, heard.baseband, heard.table, starts, window_s=heard.window_s)

    def further(knowledge: SiteKnowledge, modes: Modes, starts: Floats) -> Modes:
        return further_modes(knowledge, heard.baseband, heard.table, starts, modes, window_s=heard.window_s)

    modes, n_starts = modes_from(known, starts[:N_STARTS]), len(starts[:N_STARTS])
    poor = _is_poor(heard, modes)
    if poor and len(starts) > N_STARTS:
        modes, n_starts = joined(modes, modes_from(known, starts[N_STARTS:])), len(starts)
    other = None
    if in_other_samples and (poor or modes.members[0] <= _FEW):
        other = in_other_samples(modes, None)
        modes = further(known, modes, other.state[:1])
    free = modes_from(loose, np.concatenate([with_faces_of(known, loose, modes.state), *free_starts]))
    given = known, heard.baseband, heard.table
    # The search looks from cell to cell, and either fit may stop where the other went on.
    for _ in range(_MOST_ROUNDS):
        before = modes.log_evidence[0]
        count = AROUND if modes.members[0] else _ABOUT_UNFOUND
        near = around(*given, modes.state[0], window_s=heard.window_s, within_m=within_m, count=count)
        modes = further(known, modes, np.concatenate([near, with_faces_of(loose, known, free.state)]))
        if modes.log_evidence[0] < before + _GAIN_NATS:
            break
        free = further(loose, free, with_faces_of(known, loose, modes.state[:1]))
    if in_other_samples and other is not None and _apart_m(other.state[0], modes.state[0]) > FAR_M:
        other = in_other_samples(modes, other)  # they were asked before the best place was found
    return Fitted(known, loose, modes, free, n_starts, other)


def _apart_m(state: Floats, other: Floats) -> float:
    """How far places lie apart on the map [m], of states or positions."""
    return float(np.hypot(*(state[[X, Y]] - other[[X, Y]])))


def _is_poor(heard: Heard, modes: Modes) -> bool:
    """Whether the best place leaves much of the samples unexplained."""
    return unexplained(heard.baseband, SMOOTH, modes.misfit[0]) > _POOR


@record
class Fitted:
    """Modes by the sketch, from so many starts, those of the same samples with floor and walls loosened, and those of
    other samples, where they were asked."""

    known: SiteKnowledge
    loose: SiteKnowledge
    modes: Modes
    free: Modes
    n_starts: int
    other: Modes | None


def _judged(fitted: Fitted, heard: Heard) -> EchoFix:
    """The modes as an answer, and whether the best may be used."""
    known, modes = fitted.known, fitted.modes
    places = weighed(known, modes, fitted.loose, fitted.free)
    best, sd = modes.state[0], np.sqrt(np.diag(modes.covariance[0]))
    pulls = best[FACES : FACES + len(known.faces_sd)]
    offsets = tuple(
        FaceOffset(name, float(pull * size), float(pull))
        for name, pull, size in zip(known.faces.parameters, pulls, known.faces_sd, strict=True)
    )
    # Twice the squares of complex samples: as many degrees of freedom as real numbers; what is fitted hardly counts.
    dof = heard.n_numbers
    p_value = float(chdtrc(dof, modes.misfit[0]))
    reason = _doubt(fitted, places, p_value) or _missed(fitted, heard)
    listed = zip(places.position_m, places.covariance_m2, places.probability.tolist(), places.by_errors_m, strict=True)
    return EchoFix(
        ok=not reason,
        reason=reason,
        modes=tuple(EchoMode(*mode) for mode in listed),
        far_probability=places.far,
        wrong_sketch_probability=places.wrong_sketch,
        heading_correction=float(best[ATTITUDE + 2] * known.pose.heading_sd),
        heading_correction_sd=float(sd[ATTITUDE + 2] * known.pose.heading_sd),
        face_offsets=offsets,
        misfit=float(modes.misfit[0] / dof),
        p_value=p_value,
        agreement=float(modes.members[0] / fitted.n_starts),
        window_s=heard.window_s,
        depth_m=known.depth_m,
        depth_sd_m=known.depth_sd_m,
    )


def _doubt(fitted: Fitted, places: Places, p_value: float) -> str:
    """Why the answer may not be used; empty where nothing speaks against it."""
    if p_value < MISFIT_P:
        return "the echoes do not fit the site sketch: a wrong wall or floor, or something else that reflects"
    if places.wrong_sketch > MOST_WRONG_SKETCH:
        return (
            f"by the echoes the site sketch is wrong with a probability of {places.wrong_sketch:.0%}, and the "
            f"{worst_face(fitted.known, fitted.loose, fitted.free)}: measure it again"
        )
    behind = behind_faces(fitted.known, places.position_m[:1], places.covariance_m2[:1])[0]
    if behind.any():
        return f"the best place lies beyond the sketch's {fitted.known.faces.names[int(np.argmax(behind))]}"
    if fitted.other is not None and _apart_m(fitted.other.state[0], places.position_m[0]) > FAR_M:
        return f"by a longer or shorter part of the samples the pinger is over {FAR_M:g} m from the best place"
    if places.far > MOST_FAR:
        return f"the pinger is over {FAR_M:g} m from the best place with a probability of {places.far:.0%}"
    return ""


def _missed(fitted: Fitted, heard: Heard) -> str:
    """Whether the search may have missed the place; empty where nothing says so."""
    modes, other = fitted.modes, fitted.other
    found_again = other is not None and _apart_m(other.state[0], modes.state[0]) < _SAME_M
    if _is_poor(heard, modes) and modes.members[0] <= 1 and fitted.n_starts > N_STARTS and not found_again:
        return f"one of {fitted.n_starts} starts alone led to a place, which fits badly: a better one may be missed"
    return ""
