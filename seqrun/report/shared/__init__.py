"""What several pages share: rows, verdicts, drawings, style sheets, the terminal."""
