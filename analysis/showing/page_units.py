"""Units in which a person reads a page: of force and of length.

Comes in: SI numbers. Goes out: text. Must not: compute.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.units import ForceUnit, LengthUnit, format_force


@dataclass(frozen=True, slots=True)
class Units:
    """Units of force and length in which a person reads."""

    force: ForceUnit = "kN"
    length: LengthUnit = "m"

    def band(self, low_n: float, high_n: float) -> str:
        """Write a band, or one figure where both ends print the same.

        Examples
        --------
        >>> Units().band(1900.0, 2100.0), Units().band(1000.0, 1000.0)
        ('1.90 to 2.10 kN', '1.00 kN')
        """
        low, high = format_force(low_n, self.force), format_force(high_n, self.force)
        return high if low == high else f"{low.removesuffix(f' {self.force}')} to {high}"
