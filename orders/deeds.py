"""What is done with orders and labs, as the audit trail calls it (`practice/deeds.py`)."""

from __future__ import annotations

from practice.deeds import contribute


def contribute_own() -> None:
    contribute(
        "Orders",
        {
            "order.issued": "Order issued",
            "order.cancelled": "Order cancelled",
            "order.fetched": "Order fetched by the lab",
            "order.acknowledged": "Order acknowledged by the lab",
            "order.cancellation_seen": "Cancellation seen by the lab",
            "order.rejection_seen": "Rejection seen by the lab",
            "order.in_work": "Lab has begun the work",
            "order.dispatched": "Lab has sent the pair",
            "order.promised": "Lab has promised a day",
            "order.cannot_make": "Lab cannot make it",
            "order.question": "Question from the lab",
            "order.answered": "Question of the lab answered",
            "order.sheets_printed": "Order sheet printed",
            "order.labels_printed": "Tray label printed",
            "order.sheet_fetched": "Order sheet fetched by the lab",
            "recheck.looked_at": "Looked again after a limit or catalogue changed",
        },
    )
    contribute(
        "Pairs that came: checked, handed over, back again",
        {
            "receipt.recorded": "Finished pair measured",
            "receipt.passed": "Finished pair passed",
            "receipt.accepted": "Pair outside tolerance accepted",
            "receipt.rejected": "Pair sent back to the lab",
            "collection.recorded": "Spectacles handed over",
            "return.recorded": "Return visit recorded",
            "return.decided": "Return visit decided",
            "return_word.added": "Own word for returns added",
            "return_word.renamed": "Own word for returns renamed",
            "return_word.retired": "Own word for returns retired",
            "return_word.brought_back": "Own word for returns brought back",
        },
    )
    contribute(
        "Labs",
        {
            "lab.added": "Lab added",
            "lab.changed": "Lab’s details changed",
            "lab.token_created": "Token for a lab made",
            "lab.token_revoked": "Token of a lab revoked",
            "lab.webhook_saved": "Address a lab is told at saved",
            "lab.webhook_secret_changed": "Secret of a lab’s webhook changed",
            "lab.webhook_off": "Webhook switched off",
            "lab.webhook_disabled": "Webhook switched off: it failed too long",
            "lab.webhook_replayed": "Lab told again of what happened",
        },
    )
    contribute("Branch", {"branch.outbox_limits_changed": "When an order counts as late changed"})
    contribute("The demo", {"demo.loaded": "Demo loaded", "demo.passwords_set": "Demo passwords set"})
