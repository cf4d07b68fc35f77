//go:build !unix

package main

import "github.com/rogpeppe/go-internal/testscript"

// cmdTypes needs terminals that a program can open; scripts ask [unix] first.
func cmdTypes(ts *testscript.TestScript, _ bool, _ []string) {
	ts.Fatalf("there are no terminals of this kind here")
}
