"""The keeper's side: command line, figures, HTML report and its JSON twin."""
