"""What all tests share: no test writes into the folders of the person who runs it, and the same
tree gives the same verdict: property tests draw the same examples each time.

`CAPTUREHOOK_TEST_DRAW=new` draws new examples instead; do this now and then, and keep what fails
as an example of its own.
"""

from __future__ import annotations

import os
import tempfile

from hypothesis import HealthCheck, settings

FOLDER = tempfile.TemporaryDirectory()
os.environ["XDG_DATA_HOME"] = FOLDER.name

# How many drawn inputs a property leaves out, and how long the drawing takes on a busy machine,
# says nothing about the property: neither may fail it.
DRAWING = [
    HealthCheck.too_slow,
    HealthCheck.filter_too_much,
    HealthCheck.data_too_large,
    HealthCheck.function_scoped_fixture,  # the two that use one write nothing that stays
]
settings.register_profile("same", derandomize=True, deadline=None, suppress_health_check=DRAWING)
settings.register_profile("new", deadline=None, suppress_health_check=DRAWING)
settings.load_profile("new" if os.environ.get("CAPTUREHOOK_TEST_DRAW") == "new" else "same")
