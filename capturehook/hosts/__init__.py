"""How other programs call us: one module for each calling convention. docs/howto/hosts.md

Every module runs by itself: `python -m capturehook.hosts.edit -p heron JOB`.
"""
