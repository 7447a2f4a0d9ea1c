"""How the documentation is built: Sphinx with Markdown pages; nothing is loaded from outside."""

import sys
from pathlib import Path

import fringewise

sys.path.insert(0, str(Path(__file__).parent / "_ext"))

project = "Fringewise"
author = "The Fringewise developers"
copyright = "2026, The Fringewise developers"  # noqa: A001 - the name that Sphinx reads
version = release = fringewise.__version__

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "generated", "kinds"]
exclude_patterns = ["_build"]

myst_enable_extensions = ["colon_fence", "deflist", "fieldlist"]
myst_heading_anchors = 3

autodoc_class_signature = "separated"
autodoc_member_order = "bysource"
autodoc_typehints = "signature"
autodoc_typehints_format = "short"
autodoc_type_aliases = {name: name for name in ("Array", "FlagArray", "Float32Array", "FrameArray")}
napoleon_google_docstring = False
napoleon_use_ivar = True
napoleon_use_rtype = False

html_theme = "furo"
html_title = "Fringewise"
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False
html_static_path: list[str] = []
