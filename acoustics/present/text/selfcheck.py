"""The self-check as text for the terminal."""

from __future__ import annotations

from acoustics.present.text.tables import table
from acoustics.study.selfcheck import Check, SelfCheck

_HEADER = ("quantity", "value", "reference", "deviation", "allowed", "", "source")


def selfcheck_text(result: SelfCheck) -> str:
    """The answer of `pingfix selfcheck`: published values, then simulation, then whether all passed."""
    published = [check for check in result.checks if check.interval is None]
    simulated = [check for check in result.checks if check.interval is not None]
    failed = [check.quantity for check in result.checks if not check.passed]
    summary = (
        f"All {len(result.checks)} checks passed."
        if not failed
        else f"{len(failed)} of {len(result.checks)} checks FAILED: {'; '.join(failed)}. Do not rely on the figures."
    )
    return "\n".join(
        [
            "Published values",
            table(_HEADER, _rows(published)),
            "",
            f"Simulated, {result.trials} pings a row (seed {result.seed}), with 95 % intervals",
            table(_HEADER, _rows(simulated)),
            "",
            summary,
            "Allowed: the digits or the accuracy that the source states; for simulation four standard errors (and 1 %",
            "for what a bound leaves out).",
        ]
    )


def _rows(checks: list[Check]) -> list[tuple[str, ...]]:
    longest = max(len(check.source) for check in checks)
    return [
        (
            check.quantity + (f", {check.unit}" if check.unit else ""),
            _value(check),
            f"{check.reference:.10g}",
            f"{check.deviation:+.1e}",
            f"{check.tolerance:.1e}",
            "pass" if check.passed else "FAIL",
            check.source.ljust(longest),  # text reads better from the left
        )
        for check in checks
    ]


def _value(check: Check) -> str:
    if check.interval is None:
        return f"{check.value:.10g}"
    return f"{check.value:.3f} ({check.interval.low:.3f} to {check.interval.high:.3f})"
