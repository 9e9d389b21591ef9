"""What registration can be told. The defaults were measured on rendered brackets with true poses."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class RegisterRecipe:
    """Settings of ``register``; lengths in full-size pixels unless said otherwise."""

    link_likeness: float = 0.5
    """A pair of frames is linked where their band-passed small pictures correlate above this."""
    sure_likeness: float = 0.9
    """So alike, two frames that lie as they are need no search for a shift between them."""
    belong_likeness: float = 0.6
    """A frame belongs to the stack where its best link correlates at least this much."""
    gap_likeness: float = 0.95
    """Two runs of frames, one after the other, are one stack with a gap where their ends correlate above this when
    reduced so far that blur hardly matters."""
    overlap: float = 0.3
    """Least share of the picture that two linked frames have in common."""
    most_turn: float = 0.05
    """Largest roll (radians) and log scale between linked frames."""
    bridge: int = 4
    """How many frames ahead a link is looked for where nearer ones fail."""
    blocks: int = 400
    """Full-size blocks measured for a link."""
    passes: int = 3
    """Rounds of the full-size solver."""
    least_sharp: float = 0.1
    """Blocks with a relative sharpness up to this in either frame hardly count."""
    full_sharp: float = 0.9
    """Blocks with a relative sharpness from here on in both frames count fully."""
    repeat: float = 0.22
    """A frame repeats the one before where their sharpness differs by less than this share of what steps nearby change."""
    drift_limit: float = 0.3
    """Marginal sigma to the reference above which a warning is given."""
    field_limit: float = 0.5
    """Smooth displacement that a similarity leaves over, above which frames are bent; and what a warning is given of."""
    bend: bool = True
    """Bend frames where that is more; else a warning is all."""
    breathing: bool = True
    """Let the law of breathing steady the scales of weak frames."""
