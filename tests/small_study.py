"""A small healthy study, invented, as the texts of its CSV files: for tests that then spoil it."""

from __future__ import annotations

from pathlib import Path

SMALL_STUDY = {
    "formulas": """\
formula,part,ingredient,amount,unit
lath,,flour,500,g
lath,,water,310,g
lath,,salt,10,g
""",
    "ovens": """\
oven,air_c,support,fan
home,270,steel,no
""",
    "factors": """\
factor,low,high,step,changed_per,levels
hydration_pct,54,70,1,dough,
flour_kind,,,,dough,white|spelt
bake_min,5,8,0.5,piece,
""",
    "limits": """\
limit,factor,weight,low,high
workable,hydration_pct,1,55,69
""",
    "doughs": """\
dough,kind,round,formula,mixed_on,status,failed_why,hydration_pct,flour_kind,note
D1,test,1,lath,2026-03-07,baked,,56,white,
007,test,1,lath,2026-03-07,baked,,68,spelt,a little soft
D3,test,1,lath,2026-03-08,failed,fell on the floor,62,white,
C,control,,lath,2026-03-07,baked,,62,white,
R,reference,,,,,,,,bought
""",
    "weighed": """\
dough,part,ingredient,planned_g,weighed_g
D1,,flour,500,500
D1,,water,280,281
""",
    "pieces": """\
piece,dough,bake_day,bake_order,oven,bake_min,mass_before_g,mass_after_g,crumb_mm
P1,D1,1,1,home,5,150,120.5,2
P2,007,1,2,home,7:30,150,118,2.5
P3,D3,1,3,home,5,150,119,
PC,C,1,4,home,6,150,119,
PR,R,1,5,,2,,,
""",
    "moistures": """\
sample,of,wet_g,dry_g
M1,PR,50,46.5
M2,flour,50,43
""",
    "attributes": """\
attribute,kind,low,high,step,low_words,high_words,key
crispness,intensity,1,9,1,soft,crisp,yes
liking,liking,1,9,1,dislike,like,no
""",
    "assessors": """\
assessor,allergens,consent_on,knows_formulas
Ada,,2026-03-01,no
Bo,sesame|milk,2026-03-01,no
""",
    "servings": """\
serving,tasting,assessor,piece,repeat,position,code,served_after_min
S1,T1,Ada,P1,1,1,123,10
S2,T1,Ada,P2,1,2,456,20
S3,T1,Bo,P1,1,1,123,10
S4,T1,Bo,P2,1,2,789,20
""",
    "ratings": """\
serving,attribute,score
S1,crispness,7
S1,liking,5
S2,crispness,4
S2,liking,
S3,crispness,8
S4,crispness,3
""",
    "targets": """\
attribute,low,aim,high,weight,like
crispness,,0,,1,reference
droop_mm,,2,5,1,
""",
}


def write_study(folder: Path, **changed: str | bytes | None) -> Path:
    """Write the small study into `folder`, with some files changed or (None) left out."""
    for table, text in (SMALL_STUDY | changed).items():
        if isinstance(text, bytes):
            (folder / f"{table}.csv").write_bytes(text)
        elif text is not None:
            (folder / f"{table}.csv").write_text(text, encoding="utf-8")
    return folder


def spoilt(table: str, old: str, new: str) -> dict[str, str]:
    """One table's text with `old` replaced by `new`, ready to hand to `write_study`."""
    assert SMALL_STUDY[table].count(old) == 1, f"'{old}' stands not once in {table}"
    return {table: SMALL_STUDY[table].replace(old, new)}
