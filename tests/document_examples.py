"""One whole example of each document format, after the page of the formats."""

from __future__ import annotations

import tomllib
from typing import Any, Final

SETS: Final = [
    {
        "fringes": count,
        "shifts_deg": [0, 90, 180, 270],
        "frames": [f"frames/set{n}_{k}.png" for k in range(4)],
    }
    for n, count in enumerate((1, 7, 49))
]

LIMITS_TOML: Final = """
format = "fringewise.limits/1"
title  = "Invented limits of the demo engine"
source = "Demo manual, chapter 72-30, revision 4, 2026-02-01"
entered_by = "technician A"
checked_by = "reviewer B"
decision = {rule = "ISO 14253-1:2017", source = "Operator procedure 12, revision 2"}

[[zone]]
name = "leading edge, outer two thirds"
part = "compressor 3 blade"
unit = "mm"
from_leading_edge = [0.0, 3.0]
from_tip = [0.0, 22.0]

[[rule]]
id = "C3-LE-NICK"
part = "compressor 3 blade"
zone = "leading edge, outer two thirds"
kind = "edge_nick"
quantity = "depth"
unit = "mm"
serviceable_up_to   = 0.25
inspect_again_up_to = 0.50
interval = {cycles = 300, hours = 250}
blend_up_to         = 0.90
source = "table 601, line 4"
remove_within = {cycles = 50}

[rule.blend]
length_to_depth = 8.0
depth_max = 1.2
extra_removal = 0.1
radius_min = 6.0
chord_min = 24.0
per_blade_max = 2
per_stage_max = 10
crack_check = "as the manual's task says"

[[rule]]
id = "C3-CLEARANCE"
part = "compressor 3 blade"
zone = "tip"
kind = "clearance"
quantity = "gap_least"
unit = "mm"
serviceable_from = 0.30
inspect_again_from = 0.20

[[count]]
id = "C3-DENTS"
part = "compressor 3 blade"
kind = "dent"
zone = "any"
unit = "mm"
per_blade_max = 3
spacing_min = 6.0
sum_max = {quantity = "length", per_blade = 8.0}
adjacent_allowed = false
damaged_blades_per_stage_max = 6
exceeded = "reject"

[[never]]
id = "C3-CRACK"
part = "compressor 3 blade"
kind = "crack"
zone = "any"
"""

WORKCARD_TOML: Final = """
format = "fringewise.workcard/1"
order = "W-2041"
engine = {serial = "D-0007", type = "invented small gas turbine", hours = 8120, cycles = 2210}
reason = "scheduled"
procedure = "Demo manual, task 72-00-05, revision 4"
limits = "limits.toml"

[[stage]]
name = "compressor 3"
part = "compressor 3 blade"
items = 36
item = "blade"
numbered = "1 is the blade with the locking mark; counting with the rotor's turning"
viewed = "aft looking forward"
looks = [{name = "pressure side", port = "P4"}, {name = "leading edge", port = "P4"}]
"""

EXAMPLES: Final[dict[str, dict[str, Any]]] = {
    "capture": {
        "format": "fringewise.capture/1",
        "captured_at": "2026-03-14T09:26:53Z",
        "head": "head.json",
        "probe": "PB-114",
        "photo": "frames/photo.png",
        "fringe_sets": SETS,
    },
    "head": {
        "format": "fringewise.head/1",
        "serial": "HX-07",
        "probes": ["PB-114"],
        "calibrated_on": "2025-09-01",
        "valid_until": "2026-09-01",
        "camera": {
            "width": 960,
            "height": 720,
            "fx": 700.0,
            "fy": 700.0,
            "cx": 471.3,
            "cy": 365.8,
            "distortion": [-0.11, 0.035, 0.0006, -0.0004, 0.0],
        },
        "projector": {
            "width": 1.0,
            "fx": 0.72,
            "cx": 0.5,
            "rotation": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
            "translation_mm": [-2.6, 0, 0],
        },
        "noise": {"read_dn": 1.23, "gain_dn_per_electron": 0.02, "bits": 8},
        "covariance": {
            "parameters": ["camera.fx", "projector.translation_mm.0"],
            "matrix": [[0.04, 1e-4], [1e-4, 1e-6]],
        },
        "working_range_mm": [6.0, 60.0],
    },
    "findings": {
        "format": "fringewise.findings/1",
        "placing_px": 0.7,
        "findings": [
            {"id": "F1", "kind": "dent", "outline_px": [[410.2, 300.1], [450, 300], [430, 340]], "item": 7},
            {"id": "F2", "kind": "observation", "note": "rub", "whole_extent_in_view": "no"},
        ],
    },
    "results": {
        "format": "fringewise.results/1",
        "program": "fringewise 0.1.0",
        "capture": {"sha256": "0" * 64, "head": "HX-07", "valid_fraction": 0.71, "standoff_mm": 17.9},
        "findings": [
            {
                "id": "F1",
                "kind": "dent",
                "status": "measured",
                "quantities": [
                    {
                        "name": "depth",
                        "unit": "mm",
                        "value": 0.312,
                        "standard_uncertainty": 0.004,
                        "coverage_factor": 2.0,
                        "expanded_uncertainty": 0.008,
                        "interval_95": [0.3042, 0.3198],
                        "budget": [
                            {"source": "frame noise", "standard_uncertainty": 0.002},
                            {"source": "marks", "standard_uncertainty": 0.002},
                            {"source": "restored metal", "standard_uncertainty": 0.002},
                            {"source": "calibration", "standard_uncertainty": 0.002},
                        ],
                        "not_included": [],
                        "bound": "both",
                    }
                ],
                "warnings": [],
            },
            {
                "id": "F2",
                "kind": "crack",
                "status": "not_measured",
                "reason": "3 of 5 marks lie on pixels without a surface",
            },
        ],
    },
    "target": {
        "format": "fringewise.target/1",
        "id": "T-01",
        "kind": "checkerboard",
        "columns": 13,
        "rows": 9,
        "pitch_mm": 10.0,
        "pitch_expanded_uncertainty_mm": 0.01,
        "corner_uncertainty_mm": 0.02,
        "coverage_factor": 2.0,
        "certificate": "K-1",
        "calibrated_on": "2026-01-01",
        "valid_until": "2028-01-01",
    },
    "block": {
        "format": "fringewise.block/1",
        "id": "B-12",
        "certificate": "K-2",
        "calibrated_on": "2026-02-02",
        "valid_until": "2028-02-02",
        "features": [
            {
                "finding": "L1",
                "kind": "distance",
                "quantity": "straight",
                "unit": "mm",
                "value": 5.002,
                "expanded_uncertainty": 0.002,
                "coverage_factor": 2.0,
                "permissible_error": 0.05,
            }
        ],
    },
    "limits": tomllib.loads(LIMITS_TOML),
    "verdicts": {
        "format": "fringewise.verdicts/1",
        "limits": {"title": "Demo", "source": "Demo manual", "sha256": "a" * 64, "in_force": True},
        "decision_rule": "ISO 14253-1:2017, conformance probability 0.95",
        "findings": [
            {
                "id": "F1",
                "outcome": "blend",
                "interval": None,
                "provisional": [],
                "by": [
                    {
                        "rule": "C3-LE-NICK",
                        "quantity": "depth",
                        "unit": "mm",
                        "value": 0.61,
                        "standard_uncertainty": 0.004,
                        "boundary": "blend_up_to",
                        "limit": 0.90,
                        "acceptance_limit": 0.8934,
                        "conformance_probability": 1.0,
                    }
                ],
                "statement": "may be blended",
            },
            {
                "id": "F2",
                "outcome": "not_decided",
                "between": ["serviceable", "inspect_again"],
                "act_as": "inspect_again",
                "would_decide": "14 mm or nearer",
            },
        ],
        "outcome": "blend",
    },
    "verification": {
        "format": "fringewise.verification/1",
        "head": "HX-07",
        "head_sha256": "b" * 64,
        "probe": "PB-114",
        "block": "B-12",
        "done_at": "2026-03-14T07:55:00Z",
        "occasion": "fitted",
        "by": "technician A",
        "temperature_c": 21.5,
        "standoff_mm": 12.4,
        "capture_sha256": "c" * 64,
        "features": [
            {
                "finding": "L1",
                "quantity": "straight",
                "unit": "mm",
                "reading": 5.011,
                "expanded_uncertainty": 0.014,
                "error": 0.009,
                "e_n": 0.64,
                "test_value_uncertainty": 0.006,
                "permissible_error": 0.05,
                "passed": True,
            }
        ],
        "outcome": "passed",
    },
    "workcard": tomllib.loads(WORKCARD_TOML),
}
