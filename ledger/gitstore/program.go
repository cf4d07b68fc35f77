package gitstore

import "cmp"

// Program is what the caller wants its users to read, and the folder it wants to
// have in .git. This package has no name of its own.
type Program struct {
	// Name is what people call the program, and the name of its folder in .git, which
	// holds the lock and the journal: a plain lower-case word, "gitstore" when empty.
	// All programs that write to one repository through this package must give the
	// same name, or they do not see each other's locks.
	Name string
	// Save is the command that commits edits made by hand; "git commit" when empty.
	Save string
	// MakeBare is the command that makes the bare repository that two copies exchange
	// through; "git init --bare" when empty.
	MakeBare string
}

func (p Program) name() string { return cmp.Or(p.Name, "gitstore") }

func (p Program) save() string { return cmp.Or(p.Save, "git commit") }

func (p Program) makeBare() string { return cmp.Or(p.MakeBare, "git init --bare") }
