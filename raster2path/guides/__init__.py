"""Everything a person looks at: guides, lines on the photograph, the sign as it will hang."""
