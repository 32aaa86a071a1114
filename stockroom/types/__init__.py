"""What the shop itself says of valve types: entering one, correcting it, its versions, and types as a file."""
