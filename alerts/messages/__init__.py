"""What goes out: wording that fits a text, calendar entries, the marks that find a text again."""
