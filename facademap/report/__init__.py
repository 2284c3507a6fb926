"""Results to bytes: condition map, drawings, cut tickets, quantities, exchange files."""
