"""What is published: stills, footage, card, report."""
