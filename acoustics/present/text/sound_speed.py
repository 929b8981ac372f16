"""The water by depth, as a table for the terminal and for the report."""

from __future__ import annotations

from acoustics.present.text.tables import Rows, table
from acoustics.study.sound_speed import WaterColumn

WATER_NOTE = "Computed by TEOS-10 (sound_speed_t_exact); within 0.05 m/s of IAPWS-95 in fresh water."


def water_rows(column: WaterColumn) -> Rows:
    """Temperature, salinity, sound speed and its slope by depth."""
    header = ("depth m", "temperature degC", "absolute salinity g/kg", "sound speed m/s", "per degC")
    rows = zip(
        column.depth_m,
        column.temperature_degc,
        column.absolute_salinity_g_kg,
        column.sound_speed_m_s,
        column.per_degc_m_s,
        strict=True,
    )
    return header, [(f"{d:g}", f"{t:.1f}", f"{s:.2f}", f"{c:.2f}", f"{k:+.2f}") for d, t, s, c, k in rows]


def water_text(column: WaterColumn) -> str:
    """The table and where its numbers are from."""
    return f"{table(*water_rows(column))}\n{WATER_NOTE}"
