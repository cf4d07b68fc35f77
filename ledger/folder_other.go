//go:build !unix

package ledger

import (
	"io/fs"
	"os"
)

// openFolder is a folder of the work tree. It is opened once: from the ledger's
// root, every read would open each folder on its way.
type openFolder struct{ root *os.Root }

func (l *Ledger) openFolder(dir string) (*openFolder, error) {
	root, err := l.root.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	return &openFolder{root}, nil
}

func (o *openFolder) Close() error { return o.root.Close() }

// list returns what the folder holds, in any order.
func (o *openFolder) list() ([]fs.DirEntry, error) { return fs.ReadDir(o.root.FS(), ".") }

// read returns a plain file of the folder. It reports false where that cannot
// be.
func (o *openFolder) read(name string) (data []byte, ok bool) {
	data, err := readPlain(o.root, name, name)
	return data, err == nil
}
