"""Words of cells and remarks, one TOML a language. A closing * stands for any ending; accents do not matter."""
