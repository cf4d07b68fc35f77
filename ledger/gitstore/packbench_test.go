package gitstore

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"

	"benchlore/ledger/gitstore/object"
)

// BenchmarkPackedObjects reads objects of a packed repository of some 3,000, each
// once in a repository opened anew: by this package's reader and by the git
// library's, with everything else equal.
func BenchmarkPackedObjects(b *testing.B) {
	r := newRepo(b)
	for k := range 10 {
		files := map[string]string{}
		for i := range 300 {
			files[fmt.Sprintf("instruments/lw3/u%03d/r%02d.toml", i, k)] = fmt.Sprintf("kind = \"parts\"\nunit = %d\nround = %d\n%s", i, k, strings.Repeat("ref = \"C12\"\n", 20))
		}
		mustWrite(b, r, files)
	}
	git(b, r.Dir, "gc", "-q")
	var all []object.Hash
	for _, s := range strings.Fields(git(b, r.Dir, "rev-list", "--objects", "--no-object-names", "--all")) {
		all = append(all, object.NewHash(s))
	}
	if len(all) < 3000 {
		b.Fatalf("%d objects in %s", len(all), filepath.Base(r.Dir))
	}
	for _, n := range []int{40, len(all)} {
		list := make([]object.Hash, 0, n)
		for i := range n {
			list = append(list, all[i*(len(all)/n)])
		}
		b.Run(fmt.Sprintf("own/%d", n), func(b *testing.B) {
			for b.Loop() {
				fresh := open(b, r.Dir)
				for _, h := range list {
					if t, data, ok := fresh.fromPacks(h); !ok || object.Sum(t, data) != h {
						b.Fatal(h)
					}
				}
				fresh.Close()
			}
		})
		b.Run(fmt.Sprintf("library/%d", n), func(b *testing.B) {
			for b.Loop() {
				fresh := open(b, r.Dir)
				for _, h := range list {
					o, err := fresh.objects.EncodedObject(plumbing.AnyObject, plumbing.Hash(h))
					if err != nil {
						b.Fatal(err)
					}
					rd, err := o.Reader()
					if err != nil {
						b.Fatal(err)
					}
					data, err := io.ReadAll(rd)
					if err != nil || object.Sum(object.Type(o.Type()), data) != h {
						b.Fatal(h, err)
					}
					rd.Close()
				}
				fresh.Close()
			}
		})
	}
}
