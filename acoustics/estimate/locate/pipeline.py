"""From a stream of samples to located pings: detection, delays, direction and position, one ping after another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from acoustics.base.errors import InputError, ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.running import running_minimum
from acoustics.estimate.detect import (
    PAST_BURSTS,
    BandDetector,
    Event,
    FilterBank,
    PriTracker,
    Singles,
    band_detector,
    filter_bank,
    indistinct,
    leaks,
    quantisation_density,
    samples_at_the_ends,
)
from acoustics.estimate.locate.cabling import suspicion_words
from acoustics.estimate.locate.heard_ping import EventSegment, HeardPing, PingContext
from acoustics.estimate.locate.one_ping import locate_pings
from acoustics.estimate.locate.unknown import UnknownSound, UnknownSounds
from acoustics.io.ping import Ping
from acoustics.io.sidecar import KnownPinger, Sidecar
from acoustics.io.site_sketch import SiteSketch
from acoustics.io.streams import SampleStream
from acoustics.physics.burst import Burst

# Kept before each block: the noise before a ping is measured there, in some fifty segments;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_HISTORY_S = 0.06
_HOPS_HELD = 16  # some 35 bursts; samples are moved to the front of their buffer once in so many blocks
_HEARD_BESIDE = 0.1  # another pinger at the same time counts if it is over a tenth of this one's power


@record
class LocateOptions:
    """What may be chosen: method of the delays, pingers by name (none: all), the rate of false alarms, a site sketch.

    With a site sketch the echoes of each ping are used besides.
    """

    method: str = "phase"
    pingers: tuple[str, ...] = ()
    false_alarms_per_hour: float = 1.0
    site: SiteSketch | None = None


@dataclass
class PingerTally:
    """How one pinger's pings went: found, without a bearing, due but missed, events off its PRI."""

    name: str
    frequency_hz: float
    found: int = 0
    refused: int = 0
    missed: int = 0
    off_train: int = 0


@dataclass
class Tally:
    """What a recording held, filled while it is worked through.

    `wiring_untold` has the other wirings of the channels that the pings do not exclude: by one name, that channel is
    inverted; by two, they are swapped. `clipped_share` is the largest of a channel's samples at the ends of its range.
    """

    seconds: float = 0.0
    pingers: tuple[PingerTally, ...] = ()
    flags: list[str] = field(default_factory=list)
    unknown: tuple[UnknownSound, ...] = ()
    wiring_untold: tuple[tuple[str, ...], ...] = ()
    clipped_share: float = 0.0


@dataclass
class _Window:
    """A block with the history before it, and the index in the recording of the block's first sample."""

    samples: Singles
    first: int
    history: int
    n_real: int
    is_last: bool


def locate(
    stream: SampleStream, sidecar: Sidecar, options: LocateOptions, *, tally: Tally | None = None
) -> Iterator[Ping]:
    """Pings of a recording, each as soon as the samples after it are there.

    Parameters
    ----------
    stream : SampleStream
        The samples; memory holds a block of them.
    sidecar : Sidecar
        What the crew knows: channels, pingers, water, pose.
    options : LocateOptions
        What may be chosen.
    tally : Tally, optional
        Filled with counts and flags; complete when the last ping has been given.

    Raises
    ------
    InputError
        If the recording's rate is too low for a pinger, its samples are all zero, or it is too short to hold a
        burst; and what the stream itself refuses.
    ParameterError
        For a pinger that the sidecar does not name, and for two that cannot be told apart.
    """
    tally = Tally() if tally is None else tally
    return _each_located(_checked(stream, sidecar, options, tally), tally)


def first_pings(
    recordings: Iterable[tuple[SampleStream, Sidecar]], options: LocateOptions = LocateOptions()
) -> list[Ping | None]:
    """The first ping of each recording, as `locate` gives it; None where there is none.

    Pings that recordings of one array hold are measured together, which takes half the time.
    """
    heard = [next(_checked(stream, sidecar, options, Tally()), None) for stream, sidecar in recordings]
    located = iter(locate_pings([one for one in heard if one is not None]))
    return [None if one is None else next(located) for one in heard]


def _each_located(heard: Iterator[HeardPing], tally: Tally) -> Iterator[Ping]:
    for one in heard:
        (ping,) = locate_pings([one])
        _count(tally, next(line for line in tally.pingers if line.name == one.pinger.name), ping)
        yield ping
        one.context.wiring.catch_up()  # while the next ping is waited for


def _checked(stream: SampleStream, sidecar: Sidecar, options: LocateOptions, tally: Tally) -> Iterator[HeardPing]:
    """What is heard in a stream that suits the pingers."""
    pingers = _chosen(sidecar, options.pingers)
    for pinger in pingers:
        if 2 * (pinger.frequency_hz + abs(pinger.sweep_hz) / 2) >= stream.sample_rate_hz:
            raise InputError(
                stream.source,
                "",
                f"its sample rate of {stream.sample_rate_hz:g} Hz is under twice the {pinger.frequency_hz:g} Hz of "
                f"'{pinger.name}'",
            )
    bursts = [Burst(p.frequency_hz, p.length_s, p.q, p.sweep_hz) for p in pingers]
    bank = filter_bank(bursts, stream.sample_rate_hz)
    _check_distinct(pingers, bursts)
    tally.pingers = tuple(PingerTally(p.name, p.frequency_hz) for p in pingers)
    return _heard_in(stream, sidecar, options, pingers, bursts, bank, tally)


def _check_distinct(pingers: list[KnownPinger], bursts: Sequence[Burst]) -> None:
    for pair in indistinct(bursts):
        one, other = (pingers[k] for k in pair)
        raise ParameterError(
            f"pingers {one.name!r} ({one.frequency_hz:g} Hz) and {other.name!r} ({other.frequency_hz:g} Hz) cannot be "
            "told apart by their bursts; ask for one of them by its name"
        )


def _chosen(sidecar: Sidecar, names: tuple[str, ...]) -> list[KnownPinger]:
    known = [p.name for p in sidecar.pingers]
    for name in names:
        if name not in known:
            raise ParameterError(f"no pinger {name!r} in the sidecar; known: {', '.join(known)}")
    return [p for p in sidecar.pingers if not names or p.name in names]


def _heard_in(
    stream: SampleStream,
    sidecar: Sidecar,
    options: LocateOptions,
    pingers: list[KnownPinger],
    bursts: list[Burst],
    bank: FilterBank,
    tally: Tally,
) -> Iterator[HeardPing]:
    rate = stream.sample_rate_hz
    detectors = [
        band_detector(
            step=step,
            length_s=p.length_s,
            pri_s=p.pri_s,
            sample_rate_hz=rate,
            false_alarms_per_hour=options.false_alarms_per_hour,
        )
        for p, step in zip(pingers, bank.steps, strict=True)
    ]
    trackers = [PriTracker(p.pri_s) for p in pingers]
    context = PingContext(sidecar, options.method, stream.full_scale_v, options.site)
    leaking = leaks(bursts)
    unknown = UnknownSounds(sidecar.pingers, rate)
    count, varies, clipped = 0, False, np.zeros(stream.n_channels)
    blocks = _filtered(_windows(stream, bank, int(_HISTORY_S * rate)), bank)
    for window, powers in _with_noise_heard(blocks, bank, detectors):
        tally.seconds = (window.first + window.n_real) / rate
        begin = window.history
        own = window.samples[:, begin : begin + min(bank.hop, window.n_real)]
        clipped += samples_at_the_ends(own, stream.full_scale_v)
        varies = varies or bool(np.any(np.ptp(window.samples[:, window.history :][:, : window.n_real], axis=-1)))
        if window.first == 0:
            _know_converter(detectors, quantisation_density(own, rate), rate)
        for k, event, beside in _heard(window, powers, bank, detectors, leaking):
            # A recording of one value so far begins with a step, which is no ping.
            if not varies or not trackers[k].accept(event.peak_at / rate, event.power):
                continue
            count += 1
            part = _event_segment(window, event, bank, rate, detectors[k].noise)
            _know_converter(detectors, part.converter_density, rate)
            over = ", ".join(f"'{pingers[j].name}'" for j in beside)
            yield HeardPing(count, pingers[k], bursts[k], part, context, over)
        unknown.hear(own, window.first / rate, is_last=window.is_last)  # after the pings, which are waited for
        if window.is_last:
            tally.unknown, tally.wiring_untold = unknown.worth_a_line(), context.wiring.not_excluded
            suspicion = suspicion_words(context.wiring)
            tally.flags += [suspicion] * (bool(suspicion) and suspicion not in tally.flags)
            tally.clipped_share = float(clipped.max()) / (window.first + window.n_real)
            for tracker, line in zip(trackers, tally.pingers, strict=True):
                tracker.nothing_until(tally.seconds)
                line.missed, line.off_train = tracker.missed, tracker.rejected
    if not varies:
        raise InputError(stream.source, "", "every channel holds one value throughout: nothing was recorded")


def _know_converter(detectors: list[BandDetector], density: float, rate: float) -> None:
    """Tell the detectors the converter's noise as far as samples show it; between bursts they may stand still."""
    power = density * rate / 2
    for detector in detectors:
        detector.least_noise = min(power, detector.least_noise or power)


def _count(tally: Tally, line: PingerTally, ping: Ping) -> None:
    line.found += 1
    line.refused += not ping.ok
    tally.flags += [flag for flag in ping.flags if flag not in tally.flags]


def _filtered(windows: Iterator[_Window], bank: FilterBank) -> Iterator[tuple[_Window, list[Singles]]]:
    """Each block with the power behind every filter, what lies ahead of its own outputs included."""
    ahead: list[Singles] = []
    for window in windows:
        samples = window.samples[:, window.history :]
        ahead = ahead or bank.outputs(samples, bank.ahead)
        new = bank.outputs(samples[:, bank.ahead :], bank.hop)
        powers = [np.concatenate(both, axis=-1) for both in zip(ahead, new, strict=True)]
        ahead = [power[:, bank.hop // step :] for power, step in zip(powers, bank.steps, strict=True)]
        yield window, powers


def _with_noise_heard(
    blocks: Iterator[tuple[_Window, list[Singles]]], bank: FilterBank, detectors: list[BandDetector]
) -> Iterator[tuple[_Window, list[Singles]]]:
    """Each block as soon as the detectors have heard the noise up to its end; the first ones once they have heard them
    all, for little of it tells no threshold."""
    beginning: list[tuple[_Window, list[Singles]]] | None = []
    for window, powers in blocks:
        for detector, power in zip(detectors, powers, strict=True):
            detector.hear(power, _own(window, bank, detector))
        if beginning is None:
            yield window, powers
            continue
        beginning.append((window, powers))
        if window.is_last or len(beginning) == _HOPS_HELD:  # the next one's samples may take their place
            yield from beginning
            beginning = None


def _own(window: _Window, bank: FilterBank, detector: BandDetector) -> int:
    """Outputs of a block that begin in it and in the recording."""
    return (min(bank.hop, window.n_real) if window.is_last else bank.hop) // detector.step


def _heard(
    window: _Window, powers: list[Singles], bank: FilterBank, detectors: list[BandDetector], leaking: Floats
) -> list[tuple[int, Event, list[int]]]:
    """Events of all bands in the order of time: the pinger, the event, and other pingers that drown it."""
    own = [_own(window, bank, d) for d in detectors]
    statistics = [d.statistic(p) for d, p in zip(detectors, powers, strict=True)]
    joined = [d.with_past(s) for d, s in zip(detectors, statistics, strict=True)]
    noise = np.array([d.noise.mean() for d in detectors])
    units = noise / np.maximum(noise[:, None], 1e-300)  # of another band's statistic in those of this one
    floors = [np.zeros(len(s)) for s in statistics]
    for k, j in np.argwhere(leaking > 0):
        floors[k] += leaking[k, j] * units[k, j] * _around(joined[j], detectors[j], detectors[k], len(floors[k]))
    heard = []
    for k, detector in enumerate(detectors):
        for event in detector.events(statistics[k], floors[k], window.first, own[k]):
            before = units[k] * [_before(joined[j], detectors[j], event, window.first) for j in range(len(detectors))]
            loud = np.flatnonzero(before > _HEARD_BESIDE * event.power).tolist()
            heard.append((k, event, [j for j in loud if j != k]))
    return sorted(heard, key=lambda entry: entry[1].first)


def _around(joined: Floats, its: BandDetector, own: BandDetector, n: int) -> Floats:
    """Largest value of another band's statistic from four bursts before to one after each output of this one, (n,)."""
    before, after = PAST_BURSTS * its.looks_in_a_burst, its.looks_in_a_burst
    widest = -running_minimum(-np.pad(joined, (0, after), mode="edge"), before + after + 1)
    place = np.minimum(np.arange(n) * own.step // its.step, len(widest) - 1)
    return np.asarray(widest[place])


def _before(joined: Floats, its: BandDetector, event: Event, first: int) -> float:
    """Largest value of another band's statistic for bursts that began before the event and still sound in it."""
    middle = (event.peak_at - first) // its.step + PAST_BURSTS * its.looks_in_a_burst
    start, stop = middle - 5 * its.looks_in_a_burst // 4, middle - its.looks_in_a_burst // 4
    loudest = float(joined[max(start, 0) : max(stop, 0)].max(initial=0.0))
    return loudest if loudest > event.threshold else 0.0


def _windows(stream: SampleStream, bank: FilterBank, history: int) -> Iterator[_Window]:
    """Blocks that overlap, each with the samples before it; beyond the recording's ends stand zeros."""
    block, hop = bank.block, bank.hop
    size = history + block
    held = np.zeros((stream.n_channels, size + _HOPS_HELD * hop), dtype=np.float32)
    begin, filled, first = 0, history, 0
    for samples in stream.blocks:
        taken = 0
        while taken < samples.shape[-1]:
            part = samples[:, taken : taken + begin + size - filled]
            held[:, filled : filled + part.shape[-1]] = part
            filled, taken = filled + part.shape[-1], taken + part.shape[-1]
            if filled == begin + size:
                yield _Window(held[:, begin:filled], first, history, block, False)
                begin, first = begin + hop, first + hop
                if begin + size > held.shape[-1]:
                    held[:, : filled - begin] = held[:, begin:filled].copy()
                    begin, filled = 0, filled - begin
    n_real = filled - begin - history
    if first + n_real < bank.longest:
        raise InputError(stream.source, "", f"{first + n_real} samples are too short to hold a ping")
    rest = np.pad(held[:, begin:filled], ((0, 0), (0, block)))
    for late in range(0, max(n_real, 0), hop):
        last = n_real - late <= hop
        yield _Window(rest[:, late : late + size], first + late, history, n_real - late, last)


def _event_segment(window: _Window, event: Event, bank: FilterBank, rate: float, noise: Floats) -> EventSegment:
    """The samples about an event, in volts, with the noise before it."""
    pad = int(2e-3 * rate)
    begin = event.first - window.first + window.history - pad
    stop = max(event.peak_at, event.first + int(1.2 * bank.longest)) - window.first + window.history + pad
    # No samples exist before the recording's first.
    oldest = max(window.history - window.first, 0)
    begin = max(begin, oldest)
    end = min(stop + int(1.3 * bank.longest), window.history + window.n_real)
    volts = window.samples[:, begin:end].astype(float)
    return EventSegment(
        before=window.samples[:, oldest:begin],
        volts=volts,
        search=min(stop, end) - begin,
        first=begin - window.history + window.first,
        sample_rate_hz=rate,
        noise_power=noise,
        converter_density=quantisation_density(volts, rate),
    )
