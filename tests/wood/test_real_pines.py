"""Weights of real scanned pines beside the published equations for their DBH."""

from pathlib import Path

import pytest

from treescan.pipeline.run import RunOptions, survey_scan, weigh
from treescan.site.model import Job, Site
from treescan.wood.plausibility import plausibility
from treescan.wood.species import find_species

DATA = Path(__file__).parents[2].parent / "shared" / "data" / "pines"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not DATA.exists(), reason="the scanned pines are not here"),
]
SCANS = sorted(DATA.glob("pine_*.la[sz]"))


@pytest.mark.parametrize("path", SCANS, ids=lambda p: p.stem)
def test_scan_weight_meets_the_published_equations(path):
    site = Site(job=Job(species="Pinus palustris"))
    survey = survey_scan([path], site, RunOptions())
    pine = find_species(site.job.species)
    mass, _ = weigh(survey, site.localised(survey.origin_m), pine)
    measures = survey.measures
    found = plausibility(survey.graph, mass, pine, measures.dbh_m, measures.height_m)
    low = min(row.green_kg.low for row in found.equations)
    high = max(row.green_kg.high for row in found.equations)
    print(path.stem, [round(v) for v in (found.scan_kg.low, found.scan_kg.high, low, high)])
    assert found.scan_kg.high > low
    assert found.scan_kg.low < high
    assert 0.3 < found.form_factor < 0.75
