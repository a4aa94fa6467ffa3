"""Results of boxes never simulated: what a test says of them, the rest neutral."""

from percsim.boxes.results import BoxResult, Currents


def box_result(conductances, currents=(), **known):
    """Result of a box of these conductances."""
    rest = {
        "n_particles": 1000, "n_links": 1000, "volume_fraction": 0.1,
        "backbone_share": 0.5, "lost_share": 0.0, "electrode_share": 0.0,
    }  # fmt: skip
    flows = Currents(power_sorted=[0.0] * 9, **dict(currents))
    return BoxResult(conductances=conductances, currents=flows, **{**rest, **known})
