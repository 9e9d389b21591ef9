"""Where jobs and the merge meet: workers, what wakes them, what keeps them running, and what clears up after them.

`work` holds the pool of workers. Each takes units in `tasks` and does them in `units`: `holding` keeps the lease,
`performing` and `stages/` do the work, `loading` and `preparing` read the job. `keep` runs what keeps a server going:
`hints`, `reconcile`, `disk`, `results/`, `messages/` and `objects/`. `planning` makes jobs of stacks, which `watching/`
finds; `mending/` and `looking/` serve people who look at pictures. `processes/` starts and watches processes, `app` and
`broker` are the side of Celery, `doctor/` examines a machine, `copies` backs up and restores.
"""
