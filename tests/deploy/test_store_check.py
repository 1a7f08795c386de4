"""What is wrong with the store is said in words, at the start and by the commands: held against a real server of the S3 protocol."""

from __future__ import annotations

from urllib.request import Request, urlopen

import pytest
from django.core.management import CommandError, call_command

from deploy import checks
from practice.contents import store
from tests.stores import keys_of, place


def test_what_is_set_wrong_is_said_in_words(server, bucket, settings):
    def asked(**more):
        settings.CONTENTS = place(server, **more) if "endpoint" not in more else place(**more)
        return [(m.id, m.msg) for m in checks.ask_the_store()]

    assert asked() == []
    ((identifier, words),) = asked(bucket="no-such-bucket")
    assert identifier == "datumline.E012"
    assert "there is no such bucket" in words
    ((identifier, words),) = asked(endpoint="http://127.0.0.1:9")
    assert identifier == "datumline.W012"  # away, which is no reason not to start
    assert "cannot be reached" in words
    settings.CONTENTS = None
    assert list(checks.ask_the_store()) == []
    with pytest.raises(store.Wrong, match="DATUMLINE_S3_BUCKET is not set"):
        store.current()


def test_a_wrong_key_is_told_apart(server, bucket, settings):
    """moto checks who asks once it is told to (its own page /moto-api/reset-auth)."""

    def checking(n):
        urlopen(Request(f"{server}/moto-api/reset-auth", data=n, headers={"Content-Type": "text/plain"})).close()

    checking(b"0")
    try:
        settings.CONTENTS = place(server, key_id="nobody-known")
        with pytest.raises(store.Wrong, match="does not know DATUMLINE_S3_KEY_ID"):
            store.current().look()
        with pytest.raises(CommandError, match="does not know DATUMLINE_S3_KEY_ID") as told:
            call_command("verify_contents", "--probe")
        assert "nobody-known" not in str(told.value)
    finally:
        checking(b"inf")
    call_command("verify_contents", "--probe")
    assert keys_of(bucket) == []
