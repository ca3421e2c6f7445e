"""How other programs call us: one module for each calling convention. docs/howto/hosts.md

Every module runs by itself: `python -m capturehook.hosts.edit -p heron JOB`.
"""

import os

os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # saves a search of all packages
