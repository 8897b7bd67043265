"""Ways out: mail by SMTP, mail as files. Start with port.py."""
