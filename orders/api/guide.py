"""How a lab works with the API, in words: the one text of the page to read and of the OpenAPI document. Backticks mark code."""

from __future__ import annotations

STEPS = (
    "Ask for what waits: `GET /api/v1/orders`. Store each order, then say that you have it:"
    " `POST /api/v1/orders/{number}/acknowledgement`, or many at once with `POST /api/v1/orders/acknowledgements`."
    " An order that was not acknowledged comes again, so nothing is lost when a machine stops half-way.",
    'A cancelled order comes again too, with `"state": "cancelled"`. Stop work and acknowledge it with `{"what": "cancellation"}`.',
    'A finished pair that the branch rejects comes again with `"state": "rejected"` and why. Acknowledge it as an order; it is made'
    " again under its number.",
    "Say when it will be ready (`promise`), how far it is (`progress`), ask (`questions`), or give it back (`cannot-make`)."
    " Acknowledged is accepted: an order that the lab will not make is given back.",
    "An answer to a question brings the order up in the feed again, not among what waits: follow the whole feed"
    " (`waiting=any`), listen for `order.answered`, or ask for the order's questions.",
    "A document never changes. A correction is a new order whose `order.replaces` names the old one, which is cancelled.",
)

LINES = (
    (
        "Tokens",
        "The practice makes a token and shows it once. It may read (`orders:read`), or read and write (`orders:write` besides), and"
        " may have an end. Two are valid at a time: put the new one in place, then have the old one revoked, which counts with the"
        " next request. Keys, orders and places in the feed belong to the lab, not to its token: a change of token changes none.",
    ),
    (
        "Repeats",
        "Every `POST` takes an `Idempotency-Key` of your own, a new one for each thing you say: 1 to 120 visible ASCII characters, in"
        " quotation marks or bare. When no answer came, send the same request with the same key: it is done once, and answered as"
        " the first time, with `Idempotency-Replayed: true`, for seven days. A refusal by the state of the order (409, 412) is kept"
        " too. A request that could not be read or accepted (400, 413, 415, and 422 `invalid`) is not kept, nor is a fault of ours"
        " (500, 503): mend it, or wait, and send it again with the same key. Another body or address under the same key is"
        " `key-reused`. Without a key, the same thing said twice in a row counts once too.",
    ),
    (
        "Changes",
        "Every answer to `GET` has an `ETag`; sent back as `If-None-Match` it saves the content (304). The `ETag` of an order, in"
        " whichever form, sent as `If-Match` with a `POST` lets it through only if the order is still as you read it (412"
        " otherwise).",
    ),
    (
        "Limits",
        "`RateLimit-Policy` and `RateLimit` say how many requests a minute the token has (`q` in `w` seconds), how many are left"
        " (`r`) and in how many seconds the minute ends (`t`). Over it: 429 with `Retry-After`, in seconds. A body has at most"
        " 200,000 bytes. Answers are squeezed with `Accept-Encoding: gzip`; what you send is plain.",
    ),
    (
        "Slips",
        "A name in a body, or a parameter of the feed, that is not known is refused, and so is a name that stands twice: nothing is"
        " lost in silence. A number is not taken for text, nor text for a number.",
    ),
    (
        "Growth",
        "Within version 1, answers and messages may gain names, states and problem types; none is renamed or taken away. Pass over"
        " what you do not know. A document of a newer schema has a new `schema_version`; read it by the schema that it names.",
    ),
    (
        "Digest",
        "Take the value of `document`, write it with sorted keys, without white space, as UTF-8 (RFC 8785), and take its SHA-256: it"
        " is `sha256`, in hexadecimal. There are only text, whole numbers, true, false and null in it, so that any writer by RFC"
        " 8785 gives the same bytes. In Python:"
        ' `hashlib.sha256(json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()).hexdigest()`.',
    ),
    (
        "Quantities",
        "Decimal text with a fixed number of decimals, because a binary fraction cannot hold them exactly. `null` means not stated; it"
        " never means zero.",
    ),
    (
        "Moments",
        "RFC 3339, in UTC, ending in `Z`. A day (`promised_on`, `written_on`) is a calendar day and has no time zone.",
    ),
)

TOLD = (
    "The practice can be given an address of yours, with `https://`. It is sent a message when there is news: `order.issued`,"
    " `order.cancelled`, `order.answered`, `order.rejected`. The message says which order, nothing else; the feed remains the truth, so look there, also when no message came."
)
SIGNED = (
    "Signed by the Standard Webhooks specification: HMAC-SHA256 over `id.timestamp.body` with the secret that was shown once"
    " (`whsec_`, then Base64). Take the body as the bytes that came. Compare in constant time, refuse a timestamp more than five"
    " minutes off, and take one identifier once: a repeat carries the same. While a secret is changed there are two signatures,"
    " with a space between: one that is right is enough. In Python:"
    ' `base64.b64encode(hmac.new(base64.b64decode(secret[6:]), f"{id}.{timestamp}.".encode() + body, "sha256").digest())`.'
)
TRIED = (
    "Answer 2xx within ten seconds. Anything else, a redirect too, is a failure: it is tried again after 5 seconds, 5 minutes, 30"
    " minutes, 2, 5, 10, 14, 20 and 24 hours, then daily, a fifth earlier or later; `Retry-After` is honoured with 429, 502, 503"
    " and 504. After five days, or with 410 at once, the webhook is disabled, and the practice can have it told again from a"
    " moment on. The secret is not stored: it is derived from the site's own key and a random value."
)


def text() -> str:
    """The whole as Markdown, for the OpenAPI document."""
    steps = "\n".join(f"{i}. {step}" for i, step in enumerate(STEPS, 1))
    lines = "\n\n".join(f"**{title}.** {words}" for title, words in LINES)
    return f"{steps}\n\n{lines}\n\n**Webhooks.** {TOLD}\n\n{SIGNED}\n\n{TRIED}"
