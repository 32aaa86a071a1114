"""The shop's books: every move of goods and value as an entry that balances."""
