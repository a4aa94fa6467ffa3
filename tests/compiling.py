"""Compile the kernels in two processes, before workers start that would each compile them.

python compiling.py boxes|thresholds
"""

import sys
from dataclasses import replace

PLAN = {
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 12},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "explore": {"weight_fraction": ["40 wt%"], "electrode_gap": ["2 mm"]},
    "boxes": {"lengths": ["8 D", "10 D"], "count": 4, "threshold_count": 20},
}


def compile_for(what):
    """Run one box, or grow one threshold."""
    from percsim.jobs import box_jobs, threshold_jobs
    from percsim.plan import Plan

    plan = Plan.from_dict(PLAN)
    if what == "boxes":
        from percsim.ensemble.simulate import simulate_box

        simulate_box(max(box_jobs(plan), key=lambda job: job.box.volume))
    else:
        replace(threshold_jobs(plan)[0], count=1).run()


if __name__ == "__main__":
    compile_for(sys.argv[1])
