"""Charts as SVG in the page: text as text, shapes and line styles instead of colours, words for those who do not see them."""
