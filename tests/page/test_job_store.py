"""A job is plain files: saved whole, undone step by step, shared with the command."""

import pytest

from treescan.errors import InvalidInputError
from treescan.page.job_store import JobStore
from treescan.site.model import Conditions, Job, Site, Target
from treescan.site.reading import read_site


def shed(name="shed"):
    return Target(name=name, footprint_m=((5, 5), (8, 5), (8, 8), (5, 8)))


def test_what_is_saved_is_read_by_the_command_and_by_a_second_device(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(job=Job(species="Quercus rubra"), target=(shed(),)), state={"done": [1]})
    assert read_site(tmp_path / "job" / "site.toml").target[0].name == "shed"
    other = JobStore.opened(tmp_path / "job")
    assert (other.site, other.done_steps()) == (store.site, {1})


def test_every_change_can_be_undone(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    sites = [Site(conditions=Conditions(wind_m_s=float(speed))) for speed in range(1, 6)]
    for site in sites:
        store.save(site=site)
    for site in reversed(sites[:-1]):
        assert store.undo()
        assert store.site == site
    assert store.undo()
    assert store.site == Site()
    assert not store.undo()


def test_a_wrong_change_is_refused_and_nothing_is_written(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(target=(shed(),)))
    before = (tmp_path / "job" / "site.toml").read_bytes()
    with pytest.raises(InvalidInputError, match="shed"):
        store.save(site=Site(target=(shed(), shed())))
    assert (tmp_path / "job" / "site.toml").read_bytes() == before


def test_a_folder_of_somebody_else_is_refused(tmp_path):
    (tmp_path / "letter.txt").write_text("x")
    with pytest.raises(InvalidInputError, match="no job"):
        JobStore.opened(tmp_path)


def test_names_with_markup_are_kept_as_text(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    name = "<img onerror=alert(1)>"
    store.save(site=Site(target=(shed(name),)))
    assert JobStore.opened(tmp_path / "job").site.target[0].name == name
