"""Where jobs and the merge meet: workers, what wakes them, what keeps them running, and what clears up after them."""
