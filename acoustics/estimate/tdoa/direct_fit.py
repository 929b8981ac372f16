"""The direct sound once it is fitted: what of the samples it leaves to echoes."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.tdoa.burst_sums import ENVELOPE_OR_SLOPE, BurstSums, direct_factors, product_of
from acoustics.estimate.tdoa.echo_sums import echo_sums
from acoustics.physics.burst import Complexes

_LEAST = 1e-9


@record
class EchoSums:
    """Echoes of k beginnings beside the direct sound of m pings: two quadratures of unit amplitude at each channel.

    Parameters
    ----------
    square : ndarray, shape (m, n_channels, k, 2)
        Squares of the quadratures.
    normal : ndarray, shape (m, n_channels, k, 2, 2)
        Their products once the direct sound is fitted too.
    right : ndarray, shape (m, n_channels, k, 2)
        Their products with what the direct sound leaves of the samples.
    taken : ndarray, shape (m, n_channels, k, 3, 2)
        What of the direct sound's columns, of unit length, they are taken for.
    """

    square: Floats
    normal: Floats
    right: Floats
    taken: Floats


@record
class DirectFit:
    """The direct sound of m pings, linear about its fit.

    Parameters
    ----------
    sums : BurstSums
        Over its bursts in their windows.
    phase : ndarray, shape (m, n_channels)
        That was fitted [rad].
    length : ndarray, shape (m, n_channels, 3)
        Of its derivatives by amplitude, phase and onset, which divided by it are columns of unit length.
    inverse : ndarray, shape (m, n_channels, 3, 3)
        Of the columns' products.
    right : ndarray, shape (m, n_channels, 3)
        Products of the columns with the samples.
    """

    sums: BurstSums
    phase: Floats
    length: Floats
    inverse: Floats
    right: Floats

    @classmethod
    def of(cls, sums: BurstSums, phase: Floats, *, ridge: float) -> DirectFit:
        """`ridge` is added to the squares of the columns, 1 each, for those that coincide."""
        normal, right = sums.normal_equations(phase)
        length = np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), _LEAST**2))
        inverse = np.linalg.inv(normal / (length[..., :, None] * length[..., None, :]) + ridge * np.eye(3))
        return cls(sums, phase, length, inverse, right / length)

    def echoes(self, begins_s: Floats, until_s: Floats | None = None) -> EchoSums:
        """Echoes that begin `begins_s`, shape (k,), after each channel's onset, of the direct sound's phase [s].

        With `until_s`, shape (k,), each stands twice: heard until then alone, and to the end.
        """
        return self._beside(*echo_sums(self.sums, begins_s, until_s))

    def _beside(
        self, own_doubled: Complexes, own_level: Floats, doubled: Complexes, level: Complexes, mixed: Complexes
    ) -> EchoSums:
        """By the sums S and L of the echoes with themselves, S and L with the direct sound, and M, (m, n, k, ...)."""
        phase, length = self.phase[..., None], self.length[:, :, None]
        pair, direct = np.exp(1j * phase)[..., None] * np.array([1.0, 1.0j]), direct_factors(phase)
        both = product_of(
            pair[..., :, None], pair[..., None, :], own_doubled[..., None, None], own_level[..., None, None]
        )
        across = product_of(
            pair[..., None, :],
            direct[..., :, None],
            doubled[..., ENVELOPE_OR_SLOPE, None],
            level[..., ENVELOPE_OR_SLOPE, None],
        )
        across = across / length[..., None]
        taken = self.inverse[:, :, None] @ across
        right = (pair * mixed[..., None]).real - (transposed(taken) @ self.right[:, :, None, :, None])[..., 0]
        return EchoSums(np.diagonal(both, axis1=-2, axis2=-1), both - transposed(across) @ taken, right, taken)
