package gitstore

import (
	"github.com/go-git/go-billy/v5/memfs"
	"github.com/go-git/go-git/v5/plumbing/cache"
	"github.com/go-git/go-git/v5/storage/filesystem"
	"github.com/go-git/go-git/v5/storage/filesystem/dotgit"

	"benchlore/ledger/gitstore/object"
)

// Quarantine is a repository of the given objects that is on no disk: it can be
// read and has no refs, no work tree and no configuration. The hashes are
// trusted.
func Quarantine(objects map[object.Hash]object.Object) *Repo {
	r := &Repo{
		GitDir:  "\x00", // a name no system can have, so that nothing is ever found there
		objects: filesystem.NewObjectStorage(dotgit.New(memfs.New()), cache.NewObjectLRUDefault()),
		pending: make(map[object.Hash]pendingObject, len(objects)),
	}
	for h, o := range objects {
		r.pending[h] = pendingObject{o.Type, o.Data}
	}
	return r
}
