"""Telling labs that there is news. The feed remains the truth: a webhook only says that a look at it is worth while.

    use case ── order event and outbox row in one transaction ──→ WebhookMessage
    manage.py deliver_webhooks ── claims, signs, posts ──→ delivered, or due again later, or given up

signing   the secret and the signature (Standard Webhooks)
targets   where a message may go: no private or loopback address unless the operator allows them
send      one POST, to the address that was checked
outbox    what is written beside an order event, and the manager's deeds
deliver   one pass over what is due
"""
