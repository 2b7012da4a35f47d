"""How alembic runs the migrations: over a connection that somebody has opened, in its transaction.

``service.store.revisions`` gives the connection. Without one, as by the command ``alembic``, there
is nothing to run on: the store is brought up to date when it is opened, and in no other way.
"""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
