"""What an order comes to: shipping, discounts, tax, invoices and credit notes, and what was paid."""
