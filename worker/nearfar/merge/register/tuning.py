"""Settings of registration. The defaults come from measurements on rendered brackets whose poses are known."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Tuning:
    """Settings of ``register``; lengths in full-size pixels unless said otherwise."""

    link_likeness: float = 0.5
    """Two frames are linked if their band-passed small pictures correlate by more than this."""
    sure_likeness: float = 0.9
    """Two frames that correlate this much as they lie need no search for a shift between them."""
    belong_likeness: float = 0.6
    """A frame belongs to the stack if its best link correlates at least this much."""
    gap_likeness: float = 0.88
    """Neighbours that nothing else links are of one stack, with a slice missing or steps too wide for any detail, if they
    correlate by more than this when reduced so far that blur hardly matters. Other scenes of the same make-up reach .65."""
    overlap: float = 0.3
    """Least share of the picture that two linked frames must have in common."""
    most_turn: float = 0.05
    """Largest roll (radians) and log scale between linked frames."""
    bridge: int = 4
    """How many frames ahead a link is looked for if nearer ones fail."""
    blocks: int = 400
    """Full-size blocks measured for a link."""
    passes: int = 3
    """Rounds of the full-size solver."""
    least_sharp: float = 0.1
    """Blocks with a relative sharpness up to this in either frame hardly count."""
    full_sharp: float = 0.9
    """Blocks with a relative sharpness from here on in both frames count fully."""
    repeat: float = 0.22
    """A frame repeats the one before if their sharpness differs by less than this share of the change at nearby steps."""
    drift_limit: float = 0.3
    """Standard deviation of a pose against the reference, px, above which a warning is given."""
    field_limit: float = 0.5
    """Smooth displacement beyond a similarity, px, above which frames are bent, or a warning is given."""
    bend: bool = True
    """Whether frames are bent then; otherwise there is only a warning."""
    breathing: bool = True
    """Whether the law of breathing determines scales that are poorly known otherwise."""
