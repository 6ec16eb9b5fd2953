"""From optical readings and slide counts to cells/mL, and the facts of each species."""
