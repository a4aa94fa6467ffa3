"""The plan file: what a sensor engineer writes, checked whole, <-> the types of the stages.

A plan is TOML with bench units in strings; `sections` documents every key. All faults of a
plan are reported together, one line each.
"""

from percsim.plan.build import LARGEST_FACE_STRAIN, MOST_BEYOND
from percsim.plan.plan import Plan

__all__ = ["LARGEST_FACE_STRAIN", "MOST_BEYOND", "Plan"]
