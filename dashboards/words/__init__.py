"""Terms, units and sentences that pages and reports share."""
