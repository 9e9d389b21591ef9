"""Numbers that the chooser, its training and the hand-made rule of the tile kernel (render.c) share."""

from __future__ import annotations

CHANNEL, BAND0, BAND1 = 0.761, 0.2497, 0.0847
"""Variance that a warp at a random phase leaves of white noise of variance 1 in a channel, and in luma's two finest bands as
the tiles see them. Simulated; a test repeats it."""
HALF_CHANNEL = 0.2388
"""The same for a channel at half size."""
HALF_LUMA = 0.1067
"""The same for luma at half size."""
LEAST, PRIOR_WEIGHT, QUIET = 1e-4, 0.1, 3.0
"""Score of any frame; weight of the prior; times the noise from which energies count. Measured for the rule on rendered
brackets of four kinds."""
FEATURES, HIDDEN, BANDS = 14, 24, 3
"""Of the net; the bands are all colours, luma's finest band, and luma's second band."""
HARD_HIDDEN, HARD_STAGES = 32, 2
"""Of the larger net for the cells in which frames differ most."""
NEAR_ZERO = 1e-3
"""Score to which the logarithm of a frame's relative score is held."""
