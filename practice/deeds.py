"""What each action of the audit trail is called in plain words, and to which part of the work it belongs.

Each app contributes the words of what it records (`contribute`, called when the apps are ready). The name in the trail stays what it
is for good; words may be bettered. A test holds every action that the code records against this list.
"""

from __future__ import annotations

from collections.abc import Mapping

from practice.words import fold

_NAMES: dict[str, str] = {}
_AREAS: dict[str, list[str]] = {}  # title: its actions


def contribute(title: str, words: Mapping[str, str]) -> None:
    """Words for the actions of one part of the work. Raises ValueError for an action that has others already."""
    area = _AREAS.setdefault(title, [])
    for action, said in words.items():
        if _NAMES.setdefault(action, said) != said:
            raise ValueError(f"{action} has words already")
        if action not in area:
            area.append(action)


def words_of(action: str) -> str:
    """The words of an action. One that has none, of an older release, is shown as it was recorded."""
    return _NAMES.get(action) or action.replace(".", ": ").replace("_", " ")


def known() -> frozenset[str]:
    return frozenset(_NAMES)


def areas() -> Mapping[str, list[str]]:
    """The parts of the work, each with its actions."""
    return _AREAS


def meant_by(text: str) -> list[str]:
    """The actions whose words hold every word of `text`, whatever their case."""
    wanted = fold(text).split()
    return sorted(a for a, said in _NAMES.items() if wanted and all(w in fold(said) for w in wanted))


def contribute_own() -> None:
    """What this app records."""
    contribute(
        "Clients and privacy",
        {
            "client.added": "Client added",
            "client.changed": "Client’s details changed",
            "client.seen": "Client’s record looked at",
            "client.exported": "All that is held on a client handed out",
            "client.erased": "Client erased",
            "consent.given": "Consent noted",
            "consent.withdrawn": "Consent withdrawn",
        },
    )
    contribute(
        "Signing in",
        {
            "staff.signed_in": "Signed in",
            "staff.signed_out": "Signed out",
            "staff.sign_in_refused": "Sign-in refused: wrong password or code",
            "staff.sessions_ended": "Sessions ended",
            "staff.password_changed": "Own password changed",
            "staff.password_set": "Password set by a manager",
            "staff.password_link_made": "Link for a new password made",
            "staff.pin_set": "PIN set",
            "staff.pin_removed": "PIN removed",
            "staff.pin_refused": "Wrong PIN",
            "staff.pin_locked": "PIN locked after too many tries",
            "staff.factor_added": "Second factor added",
            "staff.factor_removed": "Second factor removed",
            "staff.factors_removed": "Second factors removed by a manager",
            "staff.recovery_codes_made": "Recovery codes made",
            "staff.recovery_code_used": "Signed in with a recovery code",
            "staff.changed_place": "Changed places on a shared device",
            "device.enrolled": "Shared device enrolled",
            "device.revoked": "Shared device taken out of use",
            "group.sign_in_rules": "Rules for signing in changed",
        },
    )
    contribute(
        "Staff and cover",
        {
            "staff.added": "Member of staff added",
            "staff.changed": "Member of staff changed",
            "staff.invited": "Somebody invited",
            "staff.invitation_used": "Invitation used",
            "staff.link_taken_back": "Link taken back",
            "staff.first_manager": "Link for the first manager made",
            "cover.set": "Cover arranged",
            "cover.ended": "Cover ended early",
        },
    )
    contribute(
        "Branch",
        {
            "branch.settings_changed": "Branch’s details or rules changed",
            "branch.limit_changed": "Limit of a check changed",
        },
    )
