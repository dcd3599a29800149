"""Reports: tables, JSON, figures and the HTML page."""
