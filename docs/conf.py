"""How Sphinx builds these pages into a site. `python -m sphinx -W docs site` from the root."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from reference_pages import write_reference  # noqa: E402 - it stands beside this file

write_reference(HERE / "reference")

project = "Coldframe"
author = copyright = "the Coldframe contributors"
extensions = ["myst_parser"]
exclude_patterns = ["conf.py"]
myst_heading_anchors = 3
suppress_warnings = ["misc.highlighting_failure"]  # csv: no highlighter knows it

html_theme = "furo"
html_title = "Coldframe"
html_copy_source = False
html_show_sphinx = False
html_use_index = False
# Type of the reader's own machine: nothing is fetched from elsewhere.
html_theme_options = {
    "light_css_variables": {"font-stack": "system-ui, sans-serif"},
}
