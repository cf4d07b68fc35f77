package ledger

import "benchlore/ledger/gitstore"

// Program is what gitstore's advice names, and the folder in .git that holds the
// lock and the journal of every ledger there is: it stays.
var Program = gitstore.Program{Name: "benchlore", Save: "benchlore save", MakeBare: "benchlore sync --create, or git init --bare"}
