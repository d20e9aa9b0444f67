"""What an enumeration has done so far, in a file that appears whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from evaluate.batch import IntArray
from evaluate.errors import InputError
from optimize.checkpoint import is_as_sealed, refuse_another_origin, sealed_text
from optimize.exact.members import Candidate, Member
from optimize.files import write_text
from optimize.study import Study

SCHEMA = "crankfront.enumeration/2"
NAME = "enumeration.json"


@dataclass(slots=True)
class Account:
    """One family: boxes found so far, tasks done in either pass, members counted.

    Attributes
    ----------
    archive : array of int, shape (vectors, objectives)
        Non-dominated rounded objectives.
    swept, counted : set of int
        Numbers of the tasks done: in the sweep, and in the count of who has the front's values.
    members : dict of int to Member
        By row of the final archive.
    seconds : float
        Time of all processes. [s]
    """

    archive: IntArray
    swept: set[int] = field(default_factory=set)
    counted: set[int] = field(default_factory=set)
    members: dict[int, Member] = field(default_factory=dict)
    seconds: float = 0.0


def save(folder: Path, accounts: dict[str, Account], begun: Mapping[str, Any]) -> None:
    """Write the accounts of all families, and what the run depends on (`checkpoint.origin`)."""
    folder.mkdir(exist_ok=True)
    note = {
        "schema": SCHEMA,
        **begun,
        "families": {name: _plain(account) for name, account in accounts.items()},
    }
    write_text(folder / NAME, sealed_text(note))


def exists(folder: Path) -> bool:
    """Return whether a folder holds an enumeration to go on with."""
    return (folder / NAME).exists()


def families(folder: Path) -> set[str]:
    """Return the families of an enumeration by name; none without one, or of a damaged one."""
    try:
        note = json.loads((folder / NAME).read_text(encoding="utf-8"))
        return set(note["families"])
    except (OSError, ValueError, LookupError, TypeError):
        return set()


def load(folder: Path, study: Study) -> dict[str, Account]:
    """Return the accounts of all families; none when nothing was saved.

    Raises
    ------
    InputError
        If the file is damaged, or belongs to another study or other package versions.
    """
    file = folder / NAME
    if not file.exists():
        return {}
    try:
        note = json.loads(file.read_text(encoding="utf-8"))
        if note["schema"] != SCHEMA:
            raise InputError(
                "--resume",
                f"an enumeration that another version of crankfront has begun ({note['schema']})",
                f"{SCHEMA}: that version, or a new --out",
            )
        refuse_another_origin(note, study)
        if not is_as_sealed(note):
            raise ValueError("something else than was written")
        return {k: _account(v, len(study.objectives)) for k, v in note["families"].items()}
    except InputError:
        raise
    except (OSError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError):
        raise InputError(
            "--resume", f"a damaged file ({file.name})", "the file as it was written"
        ) from None


def _plain(account: Account) -> dict[str, Any]:
    return {
        "archive": account.archive.tolist(),
        "seconds": account.seconds,
        "swept": sorted(account.swept),
        "counted": sorted(account.counted),
        "members": {str(row): _plain_member(m) for row, m in sorted(account.members.items())},
    }


def _plain_member(member: Member) -> dict[str, Any]:
    plain: dict[str, Any] = {"raw": str(member.raw), "fixed": [str(f) for f in member.fixed]}
    if member.rank is not None and member.candidate is not None:
        one = member.candidate
        plain["rank"] = [member.rank[0], list(member.rank[1])]
        plain["candidate"] = [one.frame, one.setting, list(one.kinds), list(one.bits)]
    return plain


def _account(plain: dict[str, Any], n_objectives: int) -> Account:
    archive = np.array(plain["archive"], np.int64).reshape(-1, n_objectives)
    if any(not 0 <= int(row) < len(archive) for row in plain["members"]):
        raise ValueError("a member without its vector")
    return Account(
        archive=archive,
        seconds=float(plain["seconds"]),
        swept=set(plain["swept"]),
        counted=set(plain["counted"]),
        members={int(row): _member(m) for row, m in plain["members"].items()},
    )


def _member(plain: dict[str, Any]) -> Member:
    member = Member(raw=Fraction(plain["raw"]), fixed=[Fraction(f) for f in plain["fixed"]])
    if "rank" in plain:
        frame, setting, kinds, bits = plain["candidate"]
        member.rank = (plain["rank"][0], tuple(plain["rank"][1]))
        member.candidate = Candidate(
            frame=frame, setting=setting, kinds=tuple(kinds), bits=tuple(bits)
        )
    return member
