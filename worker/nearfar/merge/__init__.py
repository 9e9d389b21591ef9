"""The merge engine: five keyed steps from frames to a picture. Knows no job and no queue.

`stack` runs all steps in one process, `steps` offers them one by one to several. A step is a module that runs it on
surveyed frames, with its method in a folder of a like name: `survey`, `registering` (`register/`), `focusing`
(`focus/`), `rendering` (`render`, `chooser/`, `kernel/`), and `deliver/`. Beside them `coverage/` looks for missing
slices of depth before the merge, `sensing` (`sensor/`) for spots, and `mending/` changes delivered pictures. `recipe`
has the settings, `plan` memory and threads, `keys` and `stack_keys` name outputs, `scratch` stores them.
"""
