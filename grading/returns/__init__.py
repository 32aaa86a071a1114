"""What came back: followed from the complaint over the re-test to what was decided and what follows."""
