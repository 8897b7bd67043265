"""What we look after: fleets, sites, machines, people. Start with model.py; reading.py reads and checks the files."""
