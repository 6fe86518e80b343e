"""Where daily weather comes from: a forecast over the web, or a table somebody keeps."""
