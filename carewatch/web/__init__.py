"""Pages: app.py puts them together, guard.py keeps strangers out, one file for each page, words in views.py."""
