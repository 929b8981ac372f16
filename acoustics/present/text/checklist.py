"""The day's checklist in words: what to bring, set, measure and do, in order, with room for what is measured."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.present.text.check import stop_to_listen
from acoustics.present.text.tables import number
from acoustics.study.checklist import DayPlan

_WIDEST = 100
_BLANK = "______"
_TOO_FAR_OFF = 3.0  # standard deviations: one ping in 370 of a normal error is so far off

Sections = list[tuple[str, list[str]]]


def checklist_text(plan: DayPlan) -> str:
    """The checklist for a terminal."""
    lines = [f"{plan.scene.title}: checklist for the day"]
    for title, items in checklist_sections(plan):
        lines += ["", title]
        for item in items:
            lines += textwrap.wrap(item, _WIDEST, initial_indent="[ ] ", subsequent_indent="    ")
    return "\n".join(lines)


def checklist_sections(plan: DayPlan) -> Sections:
    """Title and items of each part, safety first."""
    return [
        ("Safety, before anything else", _safety(plan)),
        ("Bring and set", _bring(plan)),
        ("Measure and write down", _measure(plan)),
        ("In the water", _listen(plan)),
        ("Before leaving", _leave()),
    ]


def _safety(plan: DayPlan) -> list[str]:
    loudest = max(plan.scene.pingers, key=lambda pinger: pinger.source_level_db)
    return [
        "Local rules, the site's own staff and licensed practice come first; this list replaces none of them.",
        "One person is in charge and may stop everything; phone, first aid and a throw line are at the water.",
        "Mains power, chargers and batteries: away from the water's edge, behind residual-current protection, plugged "
        "and unplugged with dry hands.",
        f"Nobody in the water while {loudest.name} sounds ({loudest.source_level_db:g} dB re 1 uPa at 1 m): count "
        "heads, say it aloud, then switch on.",
        "Open water: a permit where one is needed; look for marine life, wait until it has gone, stop when it comes.",
        "Lift the vehicle with enough people or a rated hoist; nobody under it, no fingers between it and the wall.",
    ]


def _bring(plan: DayPlan) -> list[str]:
    scene, e = plan.scene, plan.summary.electronics
    recorder = scene.recorder
    if e.least_gain_db > e.largest_gain_db:
        gain = f"gain {e.gain_db:g} dB; none suits all ranges"
    else:
        suits = e.least_gain_db <= e.gain_db <= e.largest_gain_db
        planned = f"{e.gain_db:g} as planned suits" if suits else f"not {e.gain_db:g} as planned"
        gain = f"gain {e.least_gain_db:.0f} to {e.largest_gain_db:.0f} dB, {planned}"
    return [
        f"{scene.array.name}, {len(scene.array.hydrophones)} hydrophones; rule to 1 mm, thermometer, tape, depth line.",
        f"Recorder at {recorder.sample_rate_hz / 1e3:g} kHz, {recorder.bits} bits, {recorder.full_scale_v:g} V full "
        f"scale, {gain} (prediction).",
        *(
            f"{p.name}: {p.frequency_hz / 1e3:g} kHz, {1e3 * p.length_s:g} ms every {p.pri_s:g} s, "
            f"at x {p.position_m[0]:g}, y {p.position_m[1]:g} m, {p.position_m[2]:g} m deep; fresh battery."
            for p in scene.pingers
        ),
        "The scenario, this page, a clock that agrees with the recorder's.",
    ]


def _measure(plan: DayPlan) -> list[str]:
    scene, depth = plan.scene, plan.scene.vehicle.position_m[2]
    planned = scene.water.temperature_degc
    told = "a profile is planned" if planned is None else f"planned {planned:g}"
    tolerance = f"{1e3 * float(scene.array.tolerances_m.max()):g} mm"
    return [
        f"Water at {depth:g} m: {_BLANK} deg C ({told}; one degree is {plan.sound_speed_per_degc_m_s:.1f} m/s).",
        *(
            f"{h.name}: forward {_BLANK} ({1e3 * x:.1f}), starboard {_BLANK} ({1e3 * y:.1f}), down {_BLANK} "
            f"({1e3 * z:.1f}) mm, to {tolerance}"
            for h, (x, y, z) in zip(scene.array.hydrophones, scene.array.positions_m, strict=True)
        ),
        f"Hydrophone tapped one by one: the right channel answers, none inverted: {_BLANK}",
        f"{len(plan.summary.assumed)} values of the scenario are assumed, not given (pingfix check lists them); "
        f"measured today: {_BLANK}{_BLANK}",
    ]


def _listen(plan: DayPlan) -> list[str]:
    found, budget = plan.summary, plan.budget
    states = [f"{state.state} {_BLANK} (planned {state.noise_density_db:.0f})" for state in found.noise_states]
    noise = "; ".join(states) or f"thrusters off {_BLANK} (planned {found.noise_density_db:.0f}), on {_BLANK}"
    items = [
        f"Pinger off, 10 s of recording in each state, pingfix spectrum on it; noise in dB re 1 uPa^2/Hz: {noise}.",
        f"Pinger on at {budget.range_m:.1f} m: largest sample {_BLANK} of full scale, none clipped; window before the "
        f"first strong echo {_BLANK} ms (planned {number(1e3 * budget.multipath_free_s)}).",
    ]
    if found.noise_states:
        items.append(stop_to_listen(found))
    if plan.listen is not None:
        items.append(
            f"Listen at x {plan.listen.x_m:.1f}, y {plan.listen.y_m:.1f} m first, then from a second direction, where "
            "bearings cross."
        )
    expected_deg = budget.predicted.bearing_deg
    if np.isfinite(expected_deg):
        far = min(_TOO_FAR_OFF * expected_deg, 180.0)
        items.append(
            f"Known direction to the pinger {_BLANK} deg, pingfix locate says {_BLANK} deg. Over {far:.0f} deg apart "
            f"(three times the predicted {number(expected_deg)} deg): stop and look for the cause before going on."
        )
    else:
        items.append("From the planned place one ping tells no bearing (prediction): go nearer before trusting one.")
    return items


def _leave() -> list[str]:
    return [
        "Each recording has its notes beside it (pingfix notes): array, sound speed, gain, place and heading, remarks.",
        "Copies in two places; one of them opened with pingfix locate.",
        "Pinger off and out; gear rinsed; heads counted.",
    ]
