"""What an analyst's desk asks for, as plain functions: evidence on demand, imports, an inbox, rules, what changed."""
