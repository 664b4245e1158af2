"""Physical constants that more than one module needs, each with its source."""

COPPER_TEMPERATURE_COEFFICIENT = 0.00393  # [1/K] at 20 C, IEC 60028:1925
MAGNET_TEMPERATURE_COEFFICIENT = -0.001  # [1/K] remanence of NdFeB, from memory
GRAVITY = 9.80665  # [m/s2] standard gravity, ISO 80000-3

# Critical abrupt demand of an undamped load on a sinusoidal restoring torque, as a fraction of its peak: the root of
# T (pi - asin T) = 1 + cos(asin T), equal-area criterion, e.g. Kundur, Power System Stability and Control, 1994.
EQUAL_AREA_LIMIT = 0.7246113537767085
