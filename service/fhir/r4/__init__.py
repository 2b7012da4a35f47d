"""R4 4.0.1 as committed tables of facts, the script that derives them, and their reader."""
