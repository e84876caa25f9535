"""Pages for the person at the machine: templates, scripts, styles and the words on them."""
