package main

import (
	"slices"
	"strings"

	"benchlore/schema"
)

func contains(list []string, s string) bool { return slices.Contains(list, s) }

// unknownWord refuses a word that is not one of a list, with the nearest one.
func unknownWord(what, word string, known []string) error {
	hint := "write one of: " + strings.Join(known, ", ")
	if near := schema.Nearest(word, known); near != "" {
		hint = "did you mean " + near + "? It takes: " + strings.Join(known, ", ")
	}
	return usagef(hint, "%s %q is not understood", what, word)
}
