"""A job is plain files: saved whole, undone step by step, shared with the command."""

import errno
import json
from pathlib import Path

import pytest

from treescan.errors import InvalidInputError, OutputError
from treescan.page import files
from treescan.page.job_store import JobStore
from treescan.site.model import Conditions, Job, Site, Target
from treescan.site.reading import read_site, site_toml


def shed(name="shed"):
    return Target(name=name, footprint_m=((5, 5), (8, 5), (8, 8), (5, 8)))


def result(folder: Path, name: str, text: str) -> Path:
    folder.mkdir(parents=True)
    (folder / name).write_text(json.dumps({"is": text}))
    return folder


def test_what_is_saved_is_read_by_the_command_and_by_a_second_device(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(job=Job(species="Quercus rubra"), target=(shed(),)), state={"done": [1]})
    assert read_site(tmp_path / "job" / "site.toml").target[0].name == "shed"
    other = JobStore.opened(tmp_path / "job")
    assert (other.site, other.done_steps()) == (store.site, {1})


def test_every_change_can_be_undone_and_done_again(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    sites = [Site(conditions=Conditions(wind_m_s=float(speed))) for speed in range(1, 6)]
    for site in sites:
        store.save(site=site, said=f"wind {site.conditions.wind_m_s:.0f}")
    for site, said in zip([*reversed(sites[:-1]), Site()], "54321", strict=True):
        assert store.undo() == f"wind {said}"
        assert store.site == site
    assert store.undo() == ""
    for site in sites:
        assert store.redo()
        assert store.site == site
    assert store.redo() == ""


def test_a_new_change_ends_what_could_be_done_again(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(state={"done": [1]})
    store.undo()
    store.save(state={"done": [2]})
    assert store.redo() == ""
    assert store.done_steps() == {2}


def test_undo_goes_on_after_a_new_start(tmp_path):
    JobStore.opened(tmp_path / "job").save(site=Site(target=(shed(),)), said="shed marked")
    store = JobStore.opened(tmp_path / "job")
    assert store.undo() == "shed marked"
    assert store.site == Site()
    assert not (tmp_path / "job" / "site.toml").exists()


def test_results_that_are_replaced_come_back_with_undo(tmp_path):
    folder = tmp_path / "job"
    store = JobStore.opened(folder)
    first = result(folder / "a", "plan.json", "first")
    store.save(results={"plan": first}, said="Plan made")
    store.save(results={"plan": result(folder / "b", "plan.json", "second")}, state={"done": []})
    assert store.plan() == {"is": "second"}
    store.undo()
    assert store.plan() == {"is": "first"}
    store.undo()
    assert store.plan() is None
    store.redo()
    store.redo()
    assert store.plan() == {"is": "second"}


def test_another_scan_puts_results_aside_and_undo_brings_site_and_results_back(tmp_path):
    folder = tmp_path / "job"
    store = JobStore.opened(folder)
    store.save(site=Site(target=(shed(),)))
    store.save(results={"tree": result(folder / "t", "tree.json", "old tree")})
    store.save(site=Site(), state={"scans": ["other.laz"]}, results={"tree": None, "plan": None})
    assert not (folder / "tree").exists()
    store.undo()
    assert json.loads((folder / "tree" / "tree.json").read_text()) == {"is": "old tree"}
    assert store.site.target[0].name == "shed"
    assert "scans" not in store.state


def test_a_wrong_change_is_refused_and_nothing_is_written(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(target=(shed(),)))
    before = (tmp_path / "job" / "site.toml").read_bytes()
    with pytest.raises(InvalidInputError, match="shed"):
        store.save(site=Site(target=(shed(), shed())))
    assert (tmp_path / "job" / "site.toml").read_bytes() == before


def test_a_change_by_the_command_is_noticed_and_not_written_over(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(target=(shed(),)))
    other = Site(target=(shed("greenhouse"),))
    (tmp_path / "job" / "site.toml").write_text(site_toml(other))
    with pytest.raises(InvalidInputError, match="changed by another program"):
        store.save(site=Site(conditions=Conditions(wet=True)))
    assert store.site == other
    assert read_site(tmp_path / "job" / "site.toml") == other
    assert store.version("site")[0] >= 2
    assert store.undo() == "a change of site.toml outside the page"
    assert store.site.target[0].name == "shed"


def test_a_touched_file_with_the_same_content_is_no_change(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(target=(shed(),)))
    path = tmp_path / "job" / "site.toml"
    path.write_bytes(path.read_bytes())
    assert store.look() == set()


def test_a_faulty_site_file_is_said_and_nothing_is_saved_over_it(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(target=(shed(),)))
    path = tmp_path / "job" / "site.toml"
    path.write_text("[[target]\nname = half a line")
    store.look()
    assert "TOML" in store.fault
    with pytest.raises(InvalidInputError, match="Nothing is saved"):
        store.save(state={"done": [1]})
    assert path.read_text().startswith("[[target]\n")
    store.mend()
    assert store.fault == ""
    assert read_site(path).target[0].name == "shed"


def test_a_result_made_by_the_command_is_noticed(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    result(tmp_path / "job" / "plan", "plan.json", "by the command")
    assert store.look() == {"plan"}
    assert store.plan() == {"is": "by the command"}


def test_comments_of_the_site_file_stay(tmp_path):
    (tmp_path / "job").mkdir()
    text = (
        "# Mrs. Holm, back garden\n[job]\nspecies = 'Quercus rubra'  # asked the owner\n\n"
        '[[target]]\n# rotten roof, not to be walked on\nname = "shed"\n'
        "footprint_m = [[5, 5], [8, 5], [8, 8], [5, 8]]\n\n[conditions]\nwet = false # so far\n"
    )
    (tmp_path / "job" / "site.toml").write_text(text)
    store = JobStore.opened(tmp_path / "job")
    wet = store.site.model_copy(update={"conditions": Conditions(wet=True)})
    store.save(site=wet)
    now = (tmp_path / "job" / "site.toml").read_text()
    assert [c for c in ("Mrs. Holm", "asked the owner", "rotten roof") if c not in now] == []
    assert read_site(tmp_path / "job" / "site.toml") == wet
    store.undo()
    assert (tmp_path / "job" / "site.toml").read_text() == text


def test_a_full_disk_is_said_and_the_job_stays(tmp_path, monkeypatch):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(target=(shed(),)))
    before = (tmp_path / "job" / "site.toml").read_bytes()

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(OutputError, match="disk of the laptop is full"):
        store.save(site=Site())
    assert (tmp_path / "job" / "site.toml").read_bytes() == before
    assert not list((tmp_path / "job").glob(".*.partial"))


def test_a_folder_of_somebody_else_is_refused(tmp_path):
    (tmp_path / "letter.txt").write_text("x")
    with pytest.raises(InvalidInputError, match="no job"):
        JobStore.opened(tmp_path)


def test_names_with_markup_are_kept_as_text(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    name = "<img onerror=alert(1)>"
    store.save(site=Site(target=(shed(name),)))
    assert JobStore.opened(tmp_path / "job").site.target[0].name == name


def test_a_page_json_that_is_no_table_is_refused_with_the_remedy(tmp_path):
    (tmp_path / "job").mkdir()
    (tmp_path / "job" / "page.json").write_text("[1, 2")
    with pytest.raises(InvalidInputError, match="Remove it to begin again"):
        JobStore.opened(tmp_path / "job")


def test_a_folder_with_nothing_but_the_pages_own_files_is_a_job(tmp_path):
    (tmp_path / "history").mkdir()
    (tmp_path / "drafts.json").write_text("{}")
    assert JobStore.opened(tmp_path).site == Site()


def test_a_job_folder_that_is_gone_is_said_and_not_made_again(tmp_path):
    store = JobStore.opened(tmp_path / "job")
    store.save(site=Site(target=(shed(),)))
    (tmp_path / "job").rename(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="is gone"):
        store.save(state={"done": [1]})
    assert not (tmp_path / "job").exists()
    (tmp_path / "elsewhere").rename(tmp_path / "job")
    store.save(state={"done": [1]})
    assert store.site.target[0].name == "shed"
