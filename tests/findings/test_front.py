"""How sure the choice is stands in the summary as the choice says it."""

from reference.made_up_findings import findings_of, plan_with

from percsim.findings.front import front
from percsim.packing import plain


def test_the_summary_holds_how_sure_the_choice_is():
    sure = findings_of(plan_with(temperature={"values": ["20 C"]}))
    made = plain(front(sure))
    assert made["confidence"] == sure.whole.standing.confidence
    assert made["confidence_asked"] == sure.plan.boxes.confidence
    assert made["verdict"] == "one stage"
    assert made["boxes_per_loading"] == [12, 12]
    # boxes that scatter more leave more open
    unsure = findings_of(plan_with(temperature={"values": ["20 C"]}), box_spread=1.0)
    assert front(unsure).confidence < made["confidence"]
