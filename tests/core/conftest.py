"""Makes the toy plugin importable by the tests of the engine."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
