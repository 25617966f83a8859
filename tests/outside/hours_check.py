"""People's time by ISO week, person and cause, from a folder of ledger files, with Python's datetime and zoneinfo.

Usage: hours_check.py FOLDER ZONE. Writes JSON of seconds. Weeks are datetime.date.isocalendar's; sums are exact fractions.
"""

import json
import pathlib
import sys
from collections import defaultdict
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from zoneinfo import ZoneInfo

folder, zone = pathlib.Path(sys.argv[1]), ZoneInfo(sys.argv[2])
rows = {}
for path in folder.glob("*.jsonl"):
    for line in path.read_text().splitlines():
        row = json.loads(line, parse_float=Fraction)
        rows[row["id"]] = row
took = {i: Fraction(r["took"]) for i, r in rows.items() if r["kind"] == "worked"}
for i in sorted(rows):
    row = rows[i]
    if row["kind"] == "correct" and row["of"] in took:
        took[row["of"]] = Fraction(row["took"])


def instant(text):
    """Microseconds since 1970, exactly."""
    moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
    return (moment - datetime(1970, 1, 1, tzinfo=timezone.utc)) // timedelta(microseconds=1)


def local_day(micros):
    return (datetime(1970, 1, 1, tzinfo=timezone.utc) + timedelta(microseconds=micros)).astimezone(zone).date()


def midnight(day):
    """The first instant of a day in the zone: where midnight is left out, the first that there is."""
    guess = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(timezone.utc)
    return (guess - datetime(1970, 1, 1, tzinfo=timezone.utc)) // timedelta(microseconds=1)


weeks, people, causes = defaultdict(Fraction), defaultdict(Fraction), defaultdict(Fraction)
for i, spent in took.items():
    if spent == 0:
        continue
    row = rows[i]
    people[row["person"]] += spent
    causes[row.get("cause") or "first pass"] += spent
    at = instant(row["began"])
    end = at + int(spent * 1_000_000)
    while at < end:
        day = local_day(at)
        until = min(end, midnight(day + timedelta(days=1)))
        year, week, _ = day.isocalendar()
        weeks[f"{year:04d}-W{week:02d}"] += Fraction(until - at, 1_000_000)
        at = until
lists = {"by_week": weeks, "by_person": people, "by_cause": causes}
print(json.dumps({name: {k: float(v) for k, v in sums.items()} for name, sums in lists.items()}))
