"""Everything a person looks at: the guides, the lines on the photograph, the sign as it will hang."""
