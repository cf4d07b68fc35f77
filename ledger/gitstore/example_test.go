package gitstore_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"benchlore/ledger/gitstore"
	"benchlore/ledger/gitstore/object"
)

// A file is written, committed and read back. After Commit the branch, the work
// tree and git's index agree, and stock git sees a clean repository.
func Example() {
	dir, err := os.MkdirTemp("", "example-")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	repo, err := gitstore.Init(filepath.Join(dir, "notes"), gitstore.InitOptions{Program: gitstore.Program{Name: "notebook"}})
	if err != nil {
		log.Fatal(err)
	}
	defer repo.Close()

	tx, err := repo.Lock(context.Background(), time.Second)
	if err != nil {
		log.Fatal(err)
	}
	defer tx.Rollback() // does nothing after Commit
	blob, err := tx.WriteBlob([]byte("C12 replaced\n"))
	if err != nil {
		log.Fatal(err)
	}
	tree, err := tx.UpdateTree(object.ZeroHash, map[string]*object.Hash{"psu/recap.txt": &blob})
	if err != nil {
		log.Fatal(err)
	}
	by := gitstore.Ident{Name: "Ines Marlow", Email: "ines@halden.example", When: time.Date(2031, 3, 4, 17, 5, 0, 0, time.UTC)}
	commit, err := tx.WriteCommit(gitstore.CommitSpec{Tree: tree, Author: by, Committer: by, Message: "recap of the power supply"})
	if err != nil {
		log.Fatal(err)
	}
	if err := tx.Commit(gitstore.Plan{Refs: []gitstore.RefUpdate{{Name: "refs/heads/main", New: commit}}, Reason: "recap"}); err != nil {
		log.Fatal(err)
	}

	text, err := os.ReadFile(filepath.Join(repo.Dir, "psu", "recap.txt"))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("on disk: %s", text)
	for c, err := range repo.Log(commit) {
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%s, %s: %s", c.Committer.When.Format(time.DateOnly), c.Author.Name, c.Message)
	}
	// Output:
	// on disk: C12 replaced
	// 2031-03-04, Ines Marlow: recap of the power supply
}
