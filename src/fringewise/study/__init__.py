"""Repeatability and reproducibility: how much of what is measured comes from measuring."""

from fringewise.study.average_range import by_average_range
from fringewise.study.readings import StudyTable, parse_study
from fringewise.study.results import StudyResult, placing_px
from fringewise.study.variance import by_anova

__all__ = ["StudyResult", "StudyTable", "by_anova", "by_average_range", "parse_study", "placing_px"]
