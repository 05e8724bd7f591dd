"""New columns that the code of the release before can live with.

During an update the tables are changed while the old web server still writes rows. It does not name columns it has
never heard of; Django gives one with a default to the rows there are and then takes the default out of the table, so
that each such row of the old code would be refused. Here it stays.
"""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.backends.postgresql import base
from django.db.backends.postgresql.schema import DatabaseSchemaEditor as PostgresSchemaEditor


class DatabaseSchemaEditor(PostgresSchemaEditor):
    def add_field(self, model: type[models.Model], field: models.Field[Any, Any]) -> None:
        super().add_field(model, field)
        if field.column is None or field.null or field.has_db_default() or self.effective_default(field) is None:
            return
        changes, values = self._alter_column_default_sql(model, None, field)  # type: ignore[attr-defined]  # Django's own
        table = self.quote_name(model._meta.db_table)
        self.execute(self.sql_alter_column % {"table": table, "changes": changes}, values)


class DatabaseWrapper(base.DatabaseWrapper):
    SchemaEditorClass = DatabaseSchemaEditor
