"""The work of the commands, their options, exit status, output files.

Only ``cli`` imports from here, each module by itself and late: `--help` loads none of the others.

Read ``balance`` first.
"""

__all__: list[str] = []
