"""What a person or a key may do: four words, each of which includes those before it."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """look < submit < mend < run."""

    LOOK = "look"
    SUBMIT = "submit"
    MEND = "mend"
    RUN = "run"

    @property
    def level(self) -> int:
        """Place in the order, from 0."""
        return list(Role).index(self)

    def covers(self, other: Role) -> bool:
        """Whether this role includes ``other``."""
        return self.level >= other.level

    @property
    def means(self) -> str:
        """What it lets someone do, for people."""
        return MEANS[self]


MEANS = {
    Role.LOOK: "see jobs, pictures, reports and figures, and fetch them",
    Role.SUBMIT: "send stacks, decide about cards, and change jobs of one's own",
    Role.MEND: "mend pictures",
    Role.RUN: "change everyone's jobs, the server's state, accounts and keys",
}


def least(*roles: Role) -> Role:
    """The one that lets do the least."""
    return min(roles, key=lambda role: role.level)


def most(*roles: Role) -> Role:
    """The one that lets do the most."""
    return max(roles, key=lambda role: role.level)
