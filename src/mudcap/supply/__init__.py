"""What goes to each site: females, males, cavities, packages, mud."""
