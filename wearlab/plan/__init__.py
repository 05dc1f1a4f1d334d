"""What to replace, test and order, and when: costs, road failures, and the choice under the workshop's rules."""
