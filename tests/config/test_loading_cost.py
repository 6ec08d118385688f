"""Reading a configuration loads no scientific library: half a second on a small board."""

import subprocess
import sys

_LOADED = """
import sys
from weirwatch.cli.main import main
from weirwatch.config import load
print(sorted({"numpy", "gsw", "PyCO2SYS", "fluids"} & set(sys.modules)))
"""


def test_a_configuration_is_loaded_without_the_scientific_libraries() -> None:
    done = subprocess.run(
        [sys.executable, "-c", _LOADED], capture_output=True, text=True, check=True, timeout=300
    )
    assert done.stdout.strip() == "[]"
