"""A studio whose people log in: accounts of every role, their keys and sessions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from nearfar.jobs import People, Role, Store
from nearfar_api.app import create_app
from tests.api.conftest import Client, Kicks, settings_for

PASSWORD = "lichen slate rain kettle"
OWN_PAGE = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}
OTHER_PAGE = {"origin": "https://other.test", "sec-fetch-site": "cross-site"}


@dataclass
class Studio:
    """An application with accounts; everyone's name is their role but for the owner's, who submits."""

    client: Client
    people: People
    store: Store
    secrets: dict[str, str] = field(default_factory=dict)

    def key(self, role: Role, *, account: str | None = None, days: float | None = None) -> str:
        """A new key of an account."""
        return self.people.make_key(
            account=account or str(role), name="rig", scopes=[role], days=days, who="console"
        )[1]

    def session(self, name: str) -> dict[str, str]:
        """What a browser sends that is logged in, from a page of ours."""
        token = self.people.begin_session(name, address="10.0.0.1", agent="x", how="password")
        return {"cookie": f"nearfar-session={token}", **OWN_PAGE}


MakeStudio = Callable[..., Studio]


def studio(store: Store, data: Path, *, people: dict[str, Any] | None = None, **server: Any) -> Studio:
    """Accounts look, submit, mend, run and owner, without passwords; 'owner' has the role submit."""
    chosen = settings_for(data, accounts=True, **server)
    if people:
        chosen = chosen.model_copy(update={"people": chosen.people.model_validate(people)})
    client = Client(create_app(chosen, store=store, hinter=Kicks()))
    found = Studio(client=client, people=People(store), store=store)
    for role in Role:
        found.people.add(str(role), role=role, who="console")
    found.people.add("owner", role=Role.SUBMIT, who="console")
    return found
