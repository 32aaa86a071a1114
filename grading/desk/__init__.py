"""What an owner looks at: what there is, how old it is, what it is worth, what to buy."""
