"""A study is begun, widened, checked, and says what it waits for, from first day to last."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pandas as pd
import pytest

from doughkit import commands
from doughkit.study import begin_study, check_study, open_study, shipped, today
from doughkit.study.beginning import FIRST, readme
from doughkit.study.waiting import WAITS_FOR, today_page
from doughkit.tables import StudyProblems, columns, read_tables, save_table
from doughkit.tables.register import TABLES
from tests.small_study import SMALL_STUDY, spoilt, write_study


def contents(folder):
    return {one.relative_to(folder): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


# --- begin ---------------------------------------------------------------------------------------


def test_a_begun_study_has_the_tables_asked_for_and_opens(tmp_path):
    made = begin_study(tmp_path / "my", ["moistures", "formulas"])
    assert made["made"].all() and len(made) == 2 + 1 + 6
    assert list(open_study(tmp_path / "my").begun) == ["formulas", "moistures"]
    begin_study(tmp_path / "other")
    assert list(open_study(tmp_path / "other").begun) == [name for name in TABLES if name in FIRST]
    assert check_study(tmp_path / "other").empty


@pytest.mark.parametrize("workbook", [False, True])
def test_nothing_that_is_there_is_overwritten(tmp_path, workbook):
    begin_study(tmp_path, ["ovens"], workbook=workbook)
    save_table(tmp_path, "ovens", pd.DataFrame({"oven": ["home"], "air_c": [270.0]}))
    (tmp_path / "README.md").write_text("mine")
    before = contents(tmp_path)
    again = begin_study(tmp_path, ["ovens"], workbook=workbook)
    assert not again["made"].any() and contents(tmp_path) == before
    wider = begin_study(tmp_path, ["ovens", "factors"])
    assert wider.loc[wider["made"], "file"].tolist() == [
        "study.xlsx: factors" if workbook else "factors.csv"
    ]
    assert read_tables(tmp_path)["ovens"]["air_c"].tolist() == [270]


def test_the_notebooks_open_the_study_they_lie_in(tmp_path):
    begin_study(tmp_path)
    for path in (tmp_path / "notebooks").glob("*.ipynb"):
        book, own = (
            json.loads(path.read_text()),
            json.loads((shipped().notebooks / path.name).read_text()),
        )
        changed = [
            (a["source"], b["source"])
            for a, b in zip(book["cells"], own["cells"], strict=True)
            if a != b
        ]
        assert len(changed) == 1 and 'open_study("..")' in "".join(changed[0][0])


def test_the_readme_of_a_study_lists_every_column_of_the_register():
    text = readme("my")
    for one in columns().itertuples():
        part = text.split(f"\n## {one.table}\n")[1].split("\n## ")[0]
        assert f"\n| `{one.column}` | {one.meaning.split('|')[0].strip()}" in part.replace(
            "\\|", "|"
        )
        assert TABLES[one.table].row_is in part
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    assert len(rows) == len(columns())
    assert all(row.replace("\\|", "").count("|") == 3 for row in rows)


def test_a_slip_in_a_tables_name_or_a_workbook_beside_files_is_refused(tmp_path):
    with pytest.raises(StudyProblems, match="did you mean 'doughs'"):
        begin_study(tmp_path / "x", ["dough"])
    assert not (tmp_path / "x").exists()
    begin_study(tmp_path / "x", ["doughs"])
    with pytest.raises(StudyProblems, match="convert the study to one first"):
        begin_study(tmp_path / "x", ["pieces"], workbook=True)
    (tmp_path / "file").write_text("")
    with pytest.raises(StudyProblems, match="cannot be written"):
        begin_study(tmp_path / "file")


# --- today ---------------------------------------------------------------------------------------

PLANNED = spoilt("doughs", "D1,test,1,lath,2026-03-07,baked", "D1,test,1,lath,,planned")
FILLED = {name: text for name, text in SMALL_STUDY.items() if name != "targets"}


def without(*names):
    return dict.fromkeys(names)


def later(table):
    """This table and all that come after it in the job."""
    names = list(TABLES)
    return without(*(one for one in names[names.index(table) :] if one in SMALL_STUDY))


def unbaked(**more):
    pieces = SMALL_STUDY["pieces"].replace("P1,D1,1,1,home,5,150,120.5,2", "P1,D1,1,1,home,5,,,")
    return PLANNED | {"pieces": pieces} | later("moistures") | more


STANDS = {
    "formulas": {"formulas": "formula,part,ingredient,amount,unit\n"} | later("factors"),
    "factors": later("factors"),
    "plan": later("doughs"),
    "pieces": later("pieces"),
    "bake": unbaked(),
    "serve": later("moistures"),
    "taste": {"ratings": "serving,attribute,score\nS1,crispness,\n"} | without("targets"),
    "targets": without("targets"),
    "decide": {},
}


@pytest.mark.parametrize("step", STANDS)
def test_the_next_step_is_named_at_every_stage(tmp_path, step):
    found = today(open_study(write_study(tmp_path, **STANDS[step])))
    assert found.step == step
    assert found.steps["state"].tolist() == ["done"] * list(WAITS_FOR).index(step) + ["now"] + [
        "later"
    ] * (len(WAITS_FOR) - list(WAITS_FOR).index(step) - 1)
    assert found.summary().startswith(WAITS_FOR[step])
    assert "Next decision" in today_page(found, "my")


def test_a_bake_day_gets_its_sheets_or_is_told_why_not(tmp_path):
    oven = "oven,air_c,support,preheat_min,gap_min\nhome,270,steel,60,5\n"
    doughs = PLANNED["doughs"].splitlines()
    doughs = "\n".join([doughs[0] + ",piece_mass_g", *(line + ",150" for line in doughs[1:])])
    known = SMALL_STUDY["formulas"].replace("flour", "bread flour")
    changed = unbaked(ovens=oven, doughs=doughs, formulas=known)
    changed["doughs"] = changed["doughs"].replace("flour_kind", "flour_lot").replace("note", "feel")
    changed["doughs"] = changed["doughs"].replace("a little soft", "3").replace("bought", "")
    changed["factors"] = SMALL_STUDY["factors"].replace("flour_kind,,,,dough,white|spelt\n", "")
    found = today(open_study(write_study(tmp_path, **changed)))
    weigh = found.sheets["Weigh out for bake day 1"]
    assert weigh["dough"].unique().tolist() == ["D1"] and weigh["planned_g"].sum() > 150
    assert found.sheets["Bake day 1 by the clock"]["piece"].tolist() == ["P1"]
    page = today_page(found, "my")
    assert "Hot plates and steam burn" in page and 'class="dk-fill"' in page
    shutil.rmtree(tmp_path)
    tmp_path.mkdir()
    found = today(open_study(write_study(tmp_path, **unbaked())))
    assert any("minutes, 0 or more" in note for note in found.notes)
    no_day = unbaked(pieces="piece,dough,bake_min\nP1,D1,5\nP2,007,5\n", ovens=None)
    shutil.rmtree(tmp_path)
    tmp_path.mkdir()
    found = today(open_study(write_study(tmp_path, **no_day)))
    assert found.step == "bake" and "notebook 3 spreads pieces" in found.notes[0]


def test_ballots_lie_ready_for_a_tasting_that_was_planned(tmp_path):
    study = open_study(write_study(tmp_path, **STANDS["taste"]))
    sheet = today(study).sheets["Ballots of tasting T1"]
    assert len(sheet) == 4 and sheet["crispness"].isna().all() and "piece" not in sheet


def test_missing_cells_are_those_that_are_usually_filled(tmp_path):
    changed = spoilt("pieces", "home,6,150,119,", "home,6,150,,")
    changed |= spoilt("weighed", "280,281", "280,")
    found = today(open_study(write_study(tmp_path, **changed)))
    told = set(found.missing.itertuples(index=False, name=None))
    assert ("pieces", "piece PC", "mass_after_g") in told
    assert ("weighed", "dough D1, water", "weighed_g") in told
    assert not any(row == "piece PR" for _, row, _ in told), "the reference is not ours to weigh"
    assert not any(row == "piece P3" for _, row, _ in told), "a failed dough is not missed"


def test_the_control_is_held_against_its_earlier_tastings(tmp_path):
    demo = dict(open_study(shipped().data_demo))
    assert today(demo).control["within"].tolist() == ["yes"] * 5
    servings, pieces, doughs = demo["servings"], demo["pieces"], demo["doughs"]
    controls = pieces[pieces["dough"].isin(doughs.loc[doughs["kind"] == "control", "dough"])]
    last = servings[servings["tasting"] == servings["tasting"].iloc[-1]]
    last = last[last["piece"].isin(controls["piece"])]
    off = demo["ratings"]["serving"].isin(last["serving"])
    off &= demo["ratings"]["attribute"] == "crispness"
    demo["ratings"] = demo["ratings"].assign(score=demo["ratings"]["score"].mask(off, 1.0))
    found = today(demo)
    assert found.control.set_index("what").loc["crispness", "within"] == "no"
    assert "outside its usual range in crispness" in found.summary()
    few = {name: frame for name, frame in demo.items() if name != "ratings"}
    few["pieces"] = pieces[pieces["bake_day"].isin(["B1", "B2"])]
    few["servings"] = servings[servings["piece"].isin(few["pieces"]["piece"])]
    assert "Too few control doughs" in today(few).summary()


def test_the_usual_range_is_that_of_one_more_value():
    from doughkit.study.gaps import _last_against_before

    at, values = pd.Series(list("ABCD")), pd.Series([4.0, 5.0, 6.0, 9.0])
    _, when, value, low, high, before, within = _last_against_before("x", at, values)[0]
    # by hand: t(0.975, 2 dof) = 4.302653, s = 1, n = 3
    assert (when, value, before, within) == ("D", 9.0, 3, "yes")
    assert abs(high - (5 + 4.302653 * (1 + 1 / 3) ** 0.5)) < 1e-5
    assert abs(low + high - 10) < 1e-12


# --- the words -----------------------------------------------------------------------------------


def run(capsys, *words):
    code = commands.read(list(words)).run()
    told = capsys.readouterr()
    return code, told.out, told.err


def test_begin_check_today_and_convert_from_the_command_line(tmp_path, capsys):
    folder = str(tmp_path / "my study é")
    code, out, _ = run(capsys, "begin", folder, "formulas", "ovens")
    assert code == 0 and "made: formulas.csv (a row is an ingredient in a formula)" in out
    code, out, _ = run(capsys, "check", folder)
    assert (code, out.splitlines()[-1]) == (0, "No problem found.")
    code, out, _ = run(capsys, "today", folder)
    assert code == 0 and "Write down the formulas" in out and "today.html" in out
    code, out, _ = run(capsys, "convert", folder)
    assert code == 0 and "study.xlsx: 2 tables" in out
    code, out, _ = run(capsys, "today", folder + "/study.xlsx")
    assert code == 0 and (tmp_path / "my study é" / "today.html").exists()


def test_check_tells_each_problem_with_its_place_and_fails(tmp_path, capsys):
    changed = spoilt("pieces", "P2,007", "P2,7") | spoilt("ovens", "home,270", "home,27O")
    code, out, _ = run(capsys, "check", str(write_study(tmp_path, **changed)))
    assert code == 1 and out.splitlines()[-1] == "2 problems."
    assert "ovens, line 2, oven home" in out or "ovens, line 2, column 'air_c'" in out
    assert "pieces, line 3" in out and "  doughs            5 rows" in out
    code, out, err = run(capsys, "today", str(tmp_path))
    assert code == 1 and "2 problems" in err and not (tmp_path / "today.html").exists()


def test_the_lab_opens_a_begun_study_where_it_is(tmp_path, monkeypatch, capsys):
    started = []
    monkeypatch.setattr(commands.os, "execve", lambda _, words, env: started.append(words))
    monkeypatch.setattr(commands.subprocess, "call", lambda words, env: started.append(words))
    with pytest.raises(commands.Refused, match="say: python3 -m doughkit begin"):
        run(capsys, "lab", str(tmp_path / "my"))
    begin_study(tmp_path / "my")
    run(capsys, "lab", str(tmp_path / "my"))
    assert str(tmp_path / "my") in started[0]
    assert "--LabApp.default_url=/lab/tree/notebooks/01_formulas_on_one_footing.ipynb" in started[0]


def test_hostile_text_in_a_study_does_nothing_on_the_page(tmp_path):
    changed = {"formulas": SMALL_STUDY["formulas"].replace("lath", "<script>x</script>")}
    changed["doughs"] = SMALL_STUDY["doughs"].replace("lath", "<script>x</script>")
    changed["pieces"] = (
        SMALL_STUDY["pieces"].replace("PC", "<b>PC").replace("6,150,119,", "6,150,,")
    )
    study = open_study(write_study(tmp_path, **changed))
    page = today_page(today(study), "<script>")
    assert "<script>" not in page and "<b>PC" not in page and "&lt;b&gt;PC" in page


def test_a_topped_controls_loss_is_that_of_its_dough_and_a_bad_weight_is_noted():
    demo = dict(open_study(shipped().data_demo))
    pieces, doughs = demo["pieces"], demo["doughs"]
    plain = today(demo).control.set_index("what").loc["loss_pct"]
    controls = pieces["dough"].isin(doughs.loc[doughs["kind"] == "control", "dough"])
    both = ["mass_before_g", "mass_after_g"]
    topped = pieces.assign(topping_g=np.nan, topping_after_g=np.nan)
    topped.loc[controls, ["topping_g", "topping_after_g"]] = 20.0, 18.0
    topped.loc[controls, both] += np.array([20.0, 18.0])
    found = today(demo | {"pieces": topped})
    assert found.control.set_index("what").loc["loss_pct", "value"] == pytest.approx(plain["value"])
    heavy = pieces.copy()
    heavy.loc[controls, "mass_after_g"] *= 2
    found = today(demo | {"pieces": heavy})
    assert "loss_pct" not in set(found.control["what"])
    assert any("control's bake loss is not told" in note for note in found.notes)
