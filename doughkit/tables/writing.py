"""A frame → its file: whole or not at all, and only if it reads back as it was given."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from doughkit.tables.bookwriting import in_book
from doughkit.tables.keeping import only_writer, refuse_if_held, replace_kept
from doughkit.tables.places import Places, find_home
from doughkit.tables.problems import StudyProblems, nearest, problem_error
from doughkit.tables.reading import read_folder, rows_of
from doughkit.tables.register import TABLES
from doughkit.tables.sheets import Sheet, fill_sheet
from doughkit.tables.workbook import is_workbook
from doughkit.tables.written import Written, as_csv, delimiter_now, must_read_back


def save_table(folder: str | Path, table: str, frame: pd.DataFrame) -> Path:
    """Save a frame as a table of a study, so that a spreadsheet and this library read it alike.

    Question: how does a planned round, or a corrected table, get into the study?

    The file is replaced whole or not at all. It is UTF-8 with a byte order mark, which
    spreadsheets want. A file that was parted by `;` stays so and keeps its decimal comma. Text
    that a spreadsheet would run as a formula gets an apostrophe in front, which reading takes
    off again.

    Parameters
    ----------
    folder : path
        The study's folder, which must be there, or its workbook.
    table : str
        Which table; it is saved where it is, or as `<table>.csv`, or as a sheet of the workbook
        if the study has nothing else.
    frame : DataFrame
        Columns as in the register, in any order; `doughs` and `pieces` may have more, and
        `ratings` may be the entry grid.

    Returns
    -------
    Path of the saved file.

    Raises
    ------
    StudyProblems if a cell would not read back as given, a needed column or cell is missing, a
    column has no place in the table, a score on file would be lost, the file is open in a
    spreadsheet, was changed since this program read it, or cannot be written; it then stays.

    Source: by definition of this library; CSV as in RFC 4180 (2005).

    >>> import tempfile
    >>> from doughkit.tables.reading import read_tables
    >>> folder = tempfile.mkdtemp()
    >>> lath = pd.DataFrame({"formula": ["lath"], "ingredient": ["flour"],
    ...                      "amount": ["500"], "unit": ["g"]})
    >>> save_table(folder, "formulas", lath).name
    'formulas.csv'
    >>> read_tables(folder)["formulas"]["amount"].tolist()
    ['500']
    """
    if table not in TABLES:
        raise problem_error(
            table,
            found="a table of unknown name",
            expected="one of " + ", ".join(TABLES),
            mend=nearest(table, TABLES) or "correct the name",
        )
    written = Written.of(table, frame)
    must_read_back(written, _sheet_of(written))
    with only_writer(folder):
        places = _where(folder, table)
        path = places.path_of(table)
        refuse_if_held(path)
        if table == "ratings" and table in places.tables:
            _refuse_lost_scores(places, written)
        if is_workbook(path):
            content = in_book(path, written)
        else:
            content = as_csv(written, delimiter=delimiter_now(path, written.names))
            must_read_back(written, fill_sheet(Sheet(table), content, written.names))
        replace_kept(path, content)
    return path


def _where(folder: str | Path, table: str) -> Places:
    """The study's places, if it is plain where the table is to go."""
    places = find_home(folder)
    in_doubt = {table, places.folder.name, places.book.path.name if places.book else table}
    unclear = [one for one in places.problems if one.table in in_doubt]
    if unclear:
        raise StudyProblems(unclear, about=f"{places.folder.name}; nothing was written")
    return places


def _sheet_of(written: Written) -> Sheet:
    return fill_sheet(Sheet(written.table), as_csv(written), written.names)


def _refuse_lost_scores(places: Places, written: Written) -> None:
    """Ratings are only added: a score once typed is changed by hand in its file, or not at all."""
    reading = read_folder(places.book.path if places.book and not places.files else places.folder)
    before, after = reading.rows.get("ratings"), rows_of(_sheet_of(written), reading.rows, {})
    if before is None or not all(before.sure) or before.frame["serving"].isna().any():
        raise problem_error(
            "ratings",
            found="a table on file with rows that cannot be traced to servings",
            expected="ratings on file that can be read, so that no score is lost",
            mend="see what check says of it; nothing was written",
        )
    key = ["serving", "attribute"]
    both = before.frame.merge(
        after.frame, on=key, how="left", indicator=True, suffixes=("", "_new")
    )
    changed = both["score"].notna() & (both["score"] != both["score_new"])
    lost = both[(both["_merge"] == "left_only") | changed]
    if len(lost):
        first, many = lost.iloc[0], "s" if len(lost) > 1 else ""
        raise problem_error(
            "ratings",
            key=f"serving {first['serving']} attribute {first['attribute']}",
            column="score",
            found=f"{len(lost)} score{many} on file that would be changed or lost",
            expected="scores added to those on file",
            mend="save them all, old and new; a slip of the pen is corrected in the file itself; "
            "nothing was written",
        )
