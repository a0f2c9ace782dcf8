"""Physical constants that several rooms use; SciPy has them too, but its import costs more than a review's start."""

GRAVITY_M_S2 = 9.80665  # standard gravity, 3rd General Conference on Weights and Measures, 1901
