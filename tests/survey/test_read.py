"""The file of a survey and its faults."""

import pytest

from percsim.errors import PlanError
from percsim.plan import Plan
from percsim.survey.read import read_survey

PLAN = {
    "seed": 40721,
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 12},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "explore": {"weight_fraction": ["36 wt%", "42 wt%"], "electrode_gap": ["2 mm"]},
    "target": {"resistance": "1 to 10 kohm"},
    "boxes": {
        "lengths": ["7 D", "8 D"], "count": 4, "threshold_count": 20, "variations": 0,
    },
}  # fmt: skip


@pytest.fixture
def write(tmp_path):
    """Write a survey beside its plan."""
    (tmp_path / "film.toml").write_text(Plan.from_dict(PLAN).text)

    def write(text, name="survey.toml"):
        (tmp_path / name).write_text('plan = "film.toml"\n' + text)
        return tmp_path / name

    return write


def test_a_grid_of_lists_ranges_and_whole_sections(write):
    survey = read_survey(
        write(
            """
            [vary]
            filler.aspect_ratio = { from = 10, to = 20, points = 3 }
            elastomer = [
                { density = "1030 kg/m3" },
                { name = "two-part silicone", density = "1 g/cm3" },
            ]
            film.thickness = ["0.2 mm", "0.3 mm"]
            """
        )
    )
    assert [a.name for a in survey.axes] == [
        "filler.aspect_ratio", "elastomer", "film.thickness",
    ]  # fmt: skip
    assert len(survey.plans) == len(survey.points) == 12
    last = survey.plans[-1]
    assert last.fillers[0].median_aspect_ratio == 20.0
    assert last.film.thickness == pytest.approx(3e-4)
    assert last.cured_elastomer.density == pytest.approx(1000.0)
    assert survey.words(survey.points[-1]) == (
        "filler.aspect_ratio 20.0, elastomer two-part silicone, film.thickness 0.3 mm"
    )


def test_a_sobol_sequence(write):
    survey = read_survey(
        write(
            """
            [design]
            kind = "sobol"
            points = 8
            seed = 5
            [vary.filler]
            diameter = { from = "5 um", to = "20 um", scale = "log" }
            aspect_ratio = [10, 20]
            """
        )
    )
    assert len(survey.plans) == 8
    sizes = [plan.fillers[0].size.median for plan in survey.plans]
    assert min(sizes) >= 5e-6
    assert max(sizes) <= 20e-6
    assert len(set(sizes)) == 8


def test_budgets_and_readings_of_the_plan_are_left_aside(write, tmp_path):
    more = {**PLAN["boxes"], "most": 40}
    rows = [{"weight_fraction": "36 wt%", "electrode_gap": "2 mm", "resistance": "2 kohm"}]
    other = Plan.from_dict({**PLAN, "boxes": more, "measured": rows})
    path = write("[vary]\nfiller.aspect_ratio = [10, 20]\n")
    (tmp_path / "film.toml").write_text(other.text)
    for plan in read_survey(path).plans:
        assert not plan.measured
        assert plan.boxes.most is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "[vary] is empty; list values of a key there"),
        ("[vary]\nfiler.aspect_ratio = [1]", "[vary] filer is no section of a plan"),
        ("[vary]\nfiller.aspct_ratio = [1]", "filler.aspct_ratio is no key of a plan; did"),
        ("[vary]\nfiller.aspect_ratio = [10, 10]", "must list values, each once"),
        ("[vary]\nfiller.aspect_ratio = 10", "must be a list, or a range like { from ="),
        ("[vary]\nfilm.width = {from = '6 mm', to = '9 mm'}", "a grid needs points"),
        ("[vary]\nfilm.width = {from = '6 mm', to = '9 um', points = 2}", "in one unit"),
        ("[vary]\nfilm.width = {from = '9 mm', to = '6 mm', points = 2}", "must rise"),
        ("[vary]\nfilm.width = {from = 0, to = 6, points = 2, scale = 'log'}", "above 0"),
        ("[design]\nkind = 'cube'\n[vary]\nfilm.width = ['6 mm']", "'grid' or 'sobol'"),
        ("[design]\npoints = 3\n[vary]\nfilm.width = ['6 mm']", "goes with kind = 'sobol'"),
        ("[design]\nkind = 'sobol'\npoints = 1e9\n[vary]\nfilm.width = ['6 mm']", "whole"),
        ("other = 1\n[vary]\nfilm.width = ['6 mm']", "other is not known"),
    ],
)
def test_faults_say_where_and_what_would_be_right(write, text, told):
    with pytest.raises(PlanError) as fault:
        read_survey(write(text))
    assert told in str(fault.value)
    assert all(line.startswith("survey.toml: ") for line in fault.value.faults)


def test_a_fault_of_a_plan_names_the_point_and_how_many(write):
    survey = read_survey(write("[vary]\nfiller.aspect_ratio = [12, -1, 0]\n"))
    with pytest.raises(PlanError) as fault:
        _ = survey.plans
    assert fault.value.faults[0].startswith("survey.toml: filler.aspect_ratio -1: ")
    assert fault.value.faults[0].endswith("(as 2 of 3 plans)")


def test_too_many_plans_are_refused(write):
    text = "\n".join(
        f"film.{key} = {{ from = 1.0, to = 2.0, points = 200 }}"
        for key in ("width", "length")
    )
    with pytest.raises(PlanError, match="40000 plans are more than 20000"):
        read_survey(write("[vary]\n" + text))


def test_what_a_plan_lists_itself_is_varied_here(write, tmp_path):
    listed = {**PLAN["explore"], "aspect_ratio": [10, 15]}
    path = write("[vary]\nfilm.thickness = ['0.2 mm', '0.3 mm']\n")
    (tmp_path / "film.toml").write_text(Plan.from_dict({**PLAN, "explore": listed}).text)
    with pytest.raises(PlanError, match=r"lists aspect_ratio; vary it here"):
        read_survey(path)
