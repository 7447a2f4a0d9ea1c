"""The workbench: the whole job in the browser, served to this machine (or, by a shop, to its people)."""
