"""Time differences to direction of arrival (DOA): bearing and depression; and whether channels are wired as noted."""

from acoustics.estimate.direction.bearing import Bearing, estimate_bearing
from acoustics.estimate.direction.wiring import MISFIT_P, WiringTest, suspected_wiring, wiring_test, wirings

__all__ = ["MISFIT_P", "Bearing", "WiringTest", "estimate_bearing", "suspected_wiring", "wiring_test", "wirings"]
