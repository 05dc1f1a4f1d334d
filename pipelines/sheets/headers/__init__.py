"""Word tables, one TOML a language: header words, words in cells, units and footers as people write them."""
