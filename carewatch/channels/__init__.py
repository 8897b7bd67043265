"""Ways out: mail by SMTP, mail as files; start with port.py. The way in: inbox.py and received.py."""
