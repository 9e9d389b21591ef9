"""The pages for people: drawn on the server, readable without script, live and quicker to the hand with it.

`overview` and `listing` show all jobs, `stack` and `picture` one of them, `cards` how cards were sorted, `plan` the next
shoot; `acting` does what forms ask for, `entering` and `provider` let people in, `account` and `accounts` are about them,
`messages` about who gets messages. `drawing` turns templates into answers, `refusing` errors into pages; `stacks` puts the
state of a stack into words, `browsers` the browser that someone is logged in with.
"""

from __future__ import annotations

from nearfar_api.pages import (
    account,
    accounts,
    acting,
    cards,
    entering,
    listing,
    messages,
    overview,
    picture,
    plan,
    provider,
    stack,
)

ROUTERS = (
    overview.router,
    listing.router,
    stack.router,
    picture.router,
    acting.router,
    cards.router,
    plan.router,
    entering.router,
    provider.router,
    account.router,
    accounts.router,
    messages.router,
)
"""All routes, to be included without a prefix."""
