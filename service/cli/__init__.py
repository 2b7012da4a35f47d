"""The ``airway`` command."""

import typer

from service.cli import answers, check, demo, load, profiles, safety, serve, store

app = typer.Typer(
    name="airway",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "The record of children's airway-clearance home programmes.\n\n"
        "A record and communication tool, not a medical device. Nobody watches the logs, and "
        "nothing here changes a prescription: that is for the licensed clinician, under local "
        "policy."
    ),
)
app.command("demo")(demo.demo)
app.command("serve")(serve.serve)
app.command("load")(load.load)
app.command("check")(check.check)
app.command("adherence")(answers.adherence)
app.command("assess-safety")(safety.assess_safety)
app.command("extract")(answers.extract)
app.add_typer(profiles.app, name="profiles")
app.add_typer(store.app, name="store")


def main() -> None:
    """Run the command line."""
    app()
