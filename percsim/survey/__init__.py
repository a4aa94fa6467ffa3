"""Many plans that share their boxes: a plan, what varies in it, and a design.

`read_survey` reads the file, `run_survey` computes every box once and judges every plan,
`open_survey` gives the table as an xarray Dataset. A survey has one store; boxes are named
by what they are made of, so that plans that differ in something no box depends on (gap,
layout, target, mix ratio) share them all.
"""

from percsim.survey.read import Survey, read_survey
from percsim.survey.run import SurveyResult, run_survey
from percsim.survey.table import open_survey

__all__ = ["Survey", "SurveyResult", "open_survey", "read_survey", "run_survey"]
