"""The look: base page, stylesheet, drawn components and the template tags that place them."""
