"""What we look after: fleets, sites, machines and their plumbing, people. Start with model.py; reading.py checks the files."""
