"""Migrations add, and take away a release later: so a new version goes in while the old one answers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from django.db import connection, migrations, models
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.state import ModelState, ProjectState

from practice.expand import AddIndexInUse, DropForeignKeyIndexInUse, RemoveIndexInUse
from tests.deploy.migration_rules import problems

DATA = json.loads((Path(__file__).parent / "migrations.json").read_text())


def all_migrations():
    loader = MigrationLoader(None)
    seen = []
    for leaf in sorted(loader.graph.leaf_nodes()):
        seen += [key for key in loader.graph.forwards_plan(leaf) if key not in seen]
    return [loader.graph.nodes[key] for key in seen]


def test_no_migration_breaks_the_release_before():
    """`released` in migrations.json moves on with every release; what must be done all the same is listed there with its reason."""
    allowed = {(each["migration"], each["what"]) for each in DATA["allowed"]}
    assert all(len(each["why"]) > 20 for each in DATA["allowed"])
    found = list(problems(all_migrations(), DATA["released"]))
    wrong = [f"{name}: {what}: {why}" for name, what, why in found if (name, what) not in allowed]
    assert not wrong, "\n".join(wrong)
    assert allowed <= {(name, what) for name, what, _ in found}, "no longer there: strike it off"


def test_what_is_listed_is_there():
    names = {f"{m.app_label}.{m.name}" for m in all_migrations()}
    assert {f"{app}.{name}" for app, name in DATA["released"].items()} <= names
    assert {each["migration"] for each in DATA["allowed"]} <= names


def migration(name, *operations, **attributes):
    made = type("Migration", (migrations.Migration,), {"operations": list(operations), **attributes})
    return made(name, "shop")


BEFORE = migration(
    "0001_initial",
    migrations.CreateModel(
        "Pair",
        [
            ("id", models.BigAutoField(primary_key=True)),
            ("note", models.CharField(max_length=20, null=True)),
            ("count", models.IntegerField()),
        ],
    ),
)
INDEX = models.Index(fields=["count"], name="by_count")


def move(apps, editor):
    pass


@pytest.mark.parametrize(
    ("operation", "why"),
    [
        (migrations.RemoveField("pair", "note"), "remove it in the next"),
        (migrations.RenameField("pair", "note", "remark"), "remove it in the next"),
        (migrations.DeleteModel("Pair"), "remove it in the next"),
        (migrations.RenameModel("Pair", "Couple"), "remove it in the next"),
        (migrations.AddField("pair", "colour", models.CharField(max_length=9, default="")), "db_default"),
        (migrations.AddField("pair", "code", models.CharField(max_length=9, null=True, unique=True)), "unique"),
        (migrations.AlterField("pair", "note", models.CharField(max_length=20, default="")), "NULL becomes forbidden"),
        (migrations.AlterField("pair", "note", models.CharField(max_length=10, null=True)), "shorter"),
        (migrations.AlterField("pair", "count", models.TextField()), "another type"),
        (migrations.AlterField("pair", "count", models.IntegerField(unique=True)), "under lock"),
        (migrations.AddIndex("pair", INDEX), "AddIndexInUse"),
        (migrations.AddConstraint("pair", models.UniqueConstraint(fields=["count"], name="once")), "under lock"),
        (migrations.RunPython(move), "no way back"),
        (migrations.RunSQL("SELECT 1"), "no way back"),
    ],
)
def test_what_would_break_it_is_found(operation, why):
    ((name, _, said),) = list(problems([BEFORE, migration("0002_next", operation)], {"shop": "0001_initial"}))
    assert name == "shop.0002_next"
    assert why in said
    assert not list(problems([BEFORE, migration("0002_next", operation)], {"shop": "0002_next"}))  # released: done


@pytest.mark.parametrize(
    "operations",
    [
        [migrations.AddField("pair", "colour", models.CharField(max_length=9, null=True))],
        [migrations.AddField("pair", "colour", models.CharField(max_length=9, db_default=""))],
        [migrations.AlterField("pair", "note", models.CharField(max_length=40, null=True))],
        [migrations.AlterField("pair", "count", models.IntegerField(null=True))],
        [AddIndexInUse("pair", INDEX)],
        [migrations.RunPython(move, migrations.RunPython.noop)],
        [
            migrations.CreateModel(
                "Fresh", [("id", models.BigAutoField(primary_key=True)), ("count", models.IntegerField())]
            ),
            migrations.AddField("fresh", "more", models.IntegerField()),
            migrations.AddIndex("fresh", models.Index(fields=["count"], name="fresh_count")),
        ],
    ],
)
def test_what_only_adds_passes(operations):
    assert not list(problems([BEFORE, migration("0002_next", *operations)], {"shop": "0001_initial"}))


def test_data_and_tables_are_two_migrations():
    mixed = migration(
        "0002_next",
        migrations.AddField("pair", "colour", models.IntegerField(null=True)),
        migrations.RunPython(move, migrations.RunPython.noop),
    )
    ((_, what, why),) = problems([BEFORE, mixed], {"shop": "0001_initial"})
    assert (what, "two migrations" in why) == ("RunPython", True)


@pytest.mark.django_db(transaction=True)
def test_an_index_is_made_and_taken_away_while_the_table_is_in_use():
    """On the database itself; PostgreSQL refuses CONCURRENTLY inside a transaction, so it is seen that there is none."""
    before = ProjectState()
    columns = [("id", models.BigAutoField(primary_key=True)), ("count", models.IntegerField())]
    before.add_model(ModelState("deploy", "Pair", columns, {"indexes": []}))
    operation, after = AddIndexInUse("pair", INDEX), before.clone()
    operation.state_forwards("deploy", after)
    model = before.apps.get_model("deploy", "Pair")

    def there():
        with connection.cursor() as cursor:
            return "by_count" in connection.introspection.get_constraints(cursor, "deploy_pair")

    with connection.schema_editor() as editor:
        editor.create_model(model)
    try:
        with connection.schema_editor(atomic=False) as editor:
            operation.database_forwards("deploy", editor, before, after)
        assert there()
        with connection.schema_editor(atomic=False) as editor:
            RemoveIndexInUse("pair", "by_count").database_forwards("deploy", editor, after, before)
        assert not there()
    finally:
        with connection.schema_editor() as editor:
            editor.delete_model(model)


@pytest.mark.django_db(transaction=True)
def test_the_index_of_a_foreign_key_is_taken_away_and_made_again_while_the_table_is_in_use():
    """Only that one: an index that the model names stays, though it is over the same column. Run twice, it is as run once."""

    def branch(**more):
        return models.ForeignKey("practice.Branch", models.PROTECT, related_name="+", **more)

    def state(field):
        made = real.clone()
        columns = [("id", models.BigAutoField(primary_key=True)), ("branch", field)]
        named = models.Index(fields=["branch"], name="pair_by_branch")
        made.add_model(ModelState("deploy", "Pair", columns, {"indexes": [named]}))
        return made

    real = MigrationLoader(None).project_state()
    before, after = state(branch()), state(branch(db_index=False))
    operation = DropForeignKeyIndexInUse("pair", "branch", branch(db_index=False))

    def indexes():
        with connection.cursor() as cursor:
            found = connection.introspection.get_constraints(cursor, "deploy_pair")
        return {name for name, about in found.items() if about["index"] and not about["primary_key"]}

    with connection.schema_editor() as editor:
        editor.create_model(before.apps.get_model("deploy", "Pair"))
    try:
        assert len(indexes()) == 2
        for _ in range(2):
            with connection.schema_editor(atomic=False) as editor:
                operation.database_forwards("deploy", editor, before, after)
            assert indexes() == {"pair_by_branch"}
        with connection.schema_editor(atomic=False) as editor:
            operation.database_backwards("deploy", editor, after, before)
        assert len(indexes()) == 2
    finally:
        with connection.schema_editor() as editor:
            editor.delete_model(before.apps.get_model("deploy", "Pair"))
