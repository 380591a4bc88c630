"""What a plan's folder is known by."""

#: The file that makes a folder a plan: it lists the plan's files.
MANIFEST = "plan.json"
