"""The pages for people: drawn on the server, readable without script, live and quicker to the hand with it.

`overview` and `listing` tell of all jobs, `stack` and `picture` of one, `cards` of what was told apart into stacks;
`acting` does what forms ask for. `drawing` turns templates into answers, `refusing` errors into pages; `stacks` and
`telling` say in words what there is to say.
"""

from __future__ import annotations

from nearfar_api.pages import acting, cards, listing, overview, picture, stack

ROUTERS = (overview.router, listing.router, stack.router, picture.router, acting.router, cards.router)
"""All routes, to be included without a prefix."""
