"""The demo's limits book and work card: invented from end to end, for its invented engine only."""

from __future__ import annotations

from typing import Final

DEMO_LIMITS: Final = """\
# Invented limits for the invented engine of the demo. They come from no manual: never use them for anything.
format = "fringewise.limits/1"
title = "Invented limits of the demo engine"
source = "Demo manual, invented, chapter 72-30, revision 4, 2026-02-01"
entered_by = "technician A"
checked_by = "reviewer B"
decision = {rule = "ISO 14253-1:2017", source = "Demo procedure 12, invented, revision 2"}

[[rule]]
id = "C3-DENT-DEPTH"
part = "compressor 3 blade"
kind = "dent"
quantity = "depth"
unit = "mm"
serviceable_up_to = 0.085
inspect_again_up_to = 0.150
interval = {cycles = 300, hours = 250}
source = "table 601, line 1"

[[rule]]
id = "C3-DENT-LENGTH"
part = "compressor 3 blade"
kind = "dent"
quantity = "length"
unit = "mm"
serviceable_up_to = 6.0
source = "table 601, line 2"

[[rule]]
id = "C3-COATING-LOSS"
part = "compressor 3 blade"
kind = "area"
quantity = "area"
unit = "mm"
serviceable_up_to = 30.0
source = "table 602, line 1"

[[count]]
id = "C3-DENTS"
part = "compressor 3 blade"
kind = "dent"
per_blade_max = 2
damaged_blades_per_stage_max = 6
adjacent_allowed = false
source = "table 603, line 1"

[[never]]
id = "C3-CRACK"
part = "compressor 3 blade"
kind = "crack"
source = "table 601, note 1"
"""

DEMO_CARD: Final = """\
# Invented work card of the demo.
format = "fringewise.workcard/1"
order = "W-2041"
engine = {serial = "D-0007", type = "invented small gas turbine", hours = 8120, cycles = 2210}
reason = "demo"
procedure = "Demo manual, invented, task 72-00-05, revision 4"
limits = "limits.toml"

[[stage]]
name = "compressor 3"
part = "compressor 3 blade"
items = 36
item = "blade"
numbered = "1 is the blade with the locking mark; counting with the rotor's turning"
viewed = "aft looking forward"
looks = [{name = "pressure side", port = "P4"}]
"""
