package pack_test

import (
	"bytes"
	"fmt"
	"log"

	"benchlore/ledger/gitstore/object"
	"benchlore/ledger/gitstore/pack"
)

// A pack is written, and read as one from a stranger is.
func ExampleRead() {
	blob := object.Object{Type: object.TypeBlob, Data: []byte("hello\n")}
	var file bytes.Buffer
	if err := pack.Write(&file, map[object.Hash]object.Object{blob.Hash(): blob}); err != nil {
		log.Fatal(err)
	}
	objects, err := pack.Read(file.Bytes(), pack.Limits{Objects: 1000, Object: 1 << 20, Inflated: 16 << 20, Depth: 50})
	if err != nil {
		log.Fatal(err)
	}
	for name, o := range objects {
		fmt.Printf("%s %s %q\n", name, o.Type, o.Data)
	}
	// Output:
	// ce013625030ba8dba906f756967f9e9ca394464a blob "hello\n"
}
