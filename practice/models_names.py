"""The words that occur in clients' names, each once: what a word with a typing slip is compared with.

There are far fewer words than clients, so comparing letter by letter stays quick in a group of any size. A word says nothing of
whose it is, and goes when nobody is called so any more.
"""

from __future__ import annotations

from collections.abc import Iterable

from django.db import models

SHORTEST = 3  # a shorter word is found as it is or not at all


class NameWord(models.Model):
    word = models.CharField(max_length=200, unique=True)

    def __str__(self) -> str:
        return self.word


def words_of(names: Iterable[str]) -> set[str]:
    return {word for name in names for word in name.split() if len(word) >= SHORTEST}


def learn(names: Iterable[str]) -> None:
    """Keep the words of folded names; those that are there stay as they are."""
    NameWord.objects.bulk_create([NameWord(word=w) for w in sorted(words_of(names))], ignore_conflicts=True, batch_size=500)


def forget(words: Iterable[str]) -> None:
    """Let go of the words that are in nobody's name any more."""
    from practice.models import Client

    gone = [w for w in sorted(words) if not Client.objects.filter(search_name__contains=w).exists()]
    if gone:
        NameWord.objects.filter(word__in=gone).delete()
