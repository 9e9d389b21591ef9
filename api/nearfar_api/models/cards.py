"""What comes in and goes out over the wire about cards."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from nearfar_api.models.answers import Moment
from nearfar_api.models.requests import MOST_FRAMES, PathText, Words

State = Literal["arriving", "settling", "waiting", "done", "ignored", "away"]
StackState = Literal["clear", "ask", "decided", "taken"]


class _Out(BaseModel):
    model_config = ConfigDict(frozen=True)


class Decision(BaseModel):
    """What a person decided. Frames are named by their paths as the card lists them, or by names that are there once."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        json_schema_extra={
            "examples": [
                {"do": "split", "before": "NF_0017.JPG"},
                {"do": "take", "frames": ["NF_0017.JPG"], "with": "NF_0016.JPG"},
            ]
        },
    )

    do: Literal["join", "split", "leave-out", "take", "confirm"]
    frames: list[PathText] | None = Field(default=None, min_length=1, max_length=MOST_FRAMES)
    before: PathText | None = Field(default=None, description="For split: the first frame of the new stack.")
    with_: PathText | None = Field(
        default=None,
        alias="with",
        description="For take: a frame of the stack that gets them; a new stack if not given.",
    )
    note: Words | None = None

    def given(self) -> dict[str, Any]:
        """As `nearfar.intake.card.decisions` knows it."""
        return self.model_dump(by_alias=True, exclude_none=True)


class CardCounts(_Out):
    """Stacks of a card by how they stand."""

    clear: int
    ask: int
    decided: int
    taken: int


class CardLinks(_Out):
    """Addresses below the server's root path."""

    self: str
    decisions: str
    go: str


class CardBrief(_Out):
    """A card, as the list has it. ``why`` says in words how it stands; ``away``: its folder is not there."""

    id: str
    path: str
    name: str
    state: State
    why: str
    frames: int
    sorted: bool
    stacks: CardCounts
    left_out: int
    links: CardLinks


class CardFrame(_Out):
    """A frame; ``small``: the address of a small picture of it, if one was made."""

    path: str
    name: str
    small: str | None


class CardStack(_Out):
    """A stack of a card.

    ``clear`` and confirmed ones become jobs, ``ask`` waits for a person, ``decided`` for that person's go. ``taken_at``:
    first and last frame, on the camera's clock, without an offset.
    """

    name: str
    state: StackState
    confidence: Annotated[float, Field(ge=0, le=1)]
    why: str
    job: int | None
    camera: str
    taken_at: tuple[str | None, str | None]
    frames: list[CardFrame]


class CardLeftOut(_Out):
    """A file that is in no stack, and why. ``stack``: the one that it was taken with."""

    path: str
    why: str
    stack: str | None
    small: str | None


class CardBoundary(_Out):
    """Between two neighbouring frames: how certain it is that a stack ends there, and why."""

    before: str
    after: str
    confidence: Annotated[float, Field(ge=0, le=1)]
    why: str


class CardQuestion(_Out):
    """What a person is asked; ``suggests``: the decision that says no, if `confirm` says yes."""

    text: str
    frames: list[str]
    suggests: dict[str, Any]


class CardModel(CardBrief):
    """A card with all that was found on it and decided about it. ``go``: whether all decisions may be acted on."""

    content: list[CardStack]
    files_left_out: list[CardLeftOut]
    boundaries: list[CardBoundary]
    questions: list[CardQuestion]
    decisions: list[dict[str, Any]]
    go: bool
    troubles: list[str]
    """Decisions that no longer make sense, since frames came or went."""


class CardList(_Out):
    """All cards in the watched folders."""

    written: Moment | None
    """When the watch last reported how they stand."""
    cards: list[CardBrief]
