"""What pH a reference buffer has at a temperature, by its composition.

Values of R. P. Buck et al., Measurement of pH, Pure Appl. Chem. 74 (2002), 2169, the solutions of
DIN 19266 too: all from memory. They are published to 0.001 for every 5 K; between two a cubic goes
through the four nearest. A bottle of a maker may differ: its certificate says what it has.
"""

from __future__ import annotations

__all__ = ["BUFFERS", "buffer_ph"]

BUFFERS: dict[str, dict[int, float]] = {
    "tartrate": {25: 3.557, 30: 3.552, 35: 3.549, 40: 3.547, 50: 3.549},
    "citrate": {0: 3.863, 5: 3.840, 10: 3.820, 15: 3.802, 20: 3.788, 25: 3.776, 30: 3.766,
                35: 3.759, 40: 3.754, 50: 3.749},
    "phthalate": {0: 4.000, 5: 3.998, 10: 3.997, 15: 3.998, 20: 4.001, 25: 4.005, 30: 4.011,
                  35: 4.018, 40: 4.027, 50: 4.050},
    "phosphate 1:1": {0: 6.984, 5: 6.951, 10: 6.923, 15: 6.900, 20: 6.881, 25: 6.865, 30: 6.853,
                      35: 6.844, 40: 6.838, 50: 6.833},
    "phosphate 1:3.5": {0: 7.534, 5: 7.500, 10: 7.472, 15: 7.448, 20: 7.429, 25: 7.413, 30: 7.400,
                        35: 7.389, 40: 7.380, 50: 7.367},
    "borax": {0: 9.464, 5: 9.395, 10: 9.332, 15: 9.276, 20: 9.225, 25: 9.180, 30: 9.139, 35: 9.102,
              40: 9.068, 50: 9.011},
    "carbonate": {0: 10.317, 5: 10.245, 10: 10.179, 15: 10.118, 20: 10.062, 25: 10.012, 30: 9.966,
                  35: 9.926, 40: 9.889, 50: 9.828},
}
"""pH by temperature in degC. Potassium hydrogen tartrate, saturated at 25 degC; potassium
dihydrogen citrate 0.05 mol/kg; potassium hydrogen phthalate 0.05 mol/kg; potassium dihydrogen
phosphate and disodium hydrogen phosphate, 0.025 mol/kg each, and 0.008695 and 0.03043 mol/kg;
borax 0.01 mol/kg; sodium hydrogen carbonate and sodium carbonate, 0.025 mol/kg each."""


def buffer_ph(name: str, temperature_c: float) -> float | None:
    """Return the pH of a buffer of `BUFFERS`; None outside the temperatures of its table."""
    values = BUFFERS[name]
    if not min(values) <= temperature_c <= max(values):
        return None
    near = sorted(values, key=lambda t: abs(t - temperature_c))[:4]
    total = 0.0
    for at in near:  # Lagrange: at a temperature of the table it is the value of the table
        weight = 1.0
        for other in near:
            if other != at:
                weight *= (temperature_c - other) / (at - other)
        total += weight * values[at]
    return total
