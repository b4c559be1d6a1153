"""What a taped length that agrees makes unnecessary to ask."""

from treescan.pipeline.scale_check import with_corrected_scale, without_settled_doubt
from treescan.pointcloud.scale import decide_unit
from treescan.site.reading import site_from_mapping


def test_a_length_that_agrees_settles_the_doubt_about_the_unit():
    (_, _, doubt), other = decide_unit(60.0), "WARNING: no point of the scan lies higher."
    several = doubt.replace("WARNING: ", "WARNING: scan.laz: ")
    for known_m, left in ((4.0, 0), (4.0 * 0.3048, 2)):
        ends = [[0.0, 0.0, 0.0], [4.0, 0.0, 0.0]]
        tree = {"known_length_m": known_m, "known_length_points_m": ends}
        _, note = with_corrected_scale(None, site_from_mapping({"tree": tree}))
        said = without_settled_doubt((doubt, several, other, *note))
        assert sum("if the file is in feet" in text for text in said) == left
        assert said[-2:] == (other, *note)
