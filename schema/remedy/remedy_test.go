package remedy

import (
	"errors"
	"fmt"
	"testing"
)

// TestParts: an arrow that somebody typed is never taken for the one that sets a
// message and its remedy apart.
func TestParts(t *testing.T) {
	for _, tt := range []struct {
		err         error
		what, write string
		text        string
	}{
		{Errorf("%q is no unit", "a => b"), `"a => b" is no unit`, "", `"a => b" is no unit`},
		{Errorf("%q is no unit => write %s", "a => b", "c => d"), `"a => b" is no unit`, "write c => d", `"a => b" is no unit: write c => d`},
		{Errorf("%d %% of %q => write %d %%, such as %s", 3, "x", 4, "4 %"), `3 % of "x"`, "write 4 %, such as 4 %", `3 % of "x": write 4 %, such as 4 %`},
		{In("reading 3", Errorf("%q has no unit => write one", "7")), `reading 3: "7" has no unit`, "write one", `reading 3: "7" has no unit: write one`},
		{In("reading 3", errors.New("it is empty: write x => y")), "reading 3: it is empty: write x => y", "", "reading 3: it is empty: write x => y"},
	} {
		what, write := Parts(tt.err)
		if what != tt.what || write != tt.write || tt.err.Error() != tt.text {
			t.Errorf("%q: %q, %q", tt.err, what, write)
		}
	}
	if what, write := Parts(fmt.Errorf("line 1: %w", Errorf("%q => write b", "a"))); what != `"a"` || write != "write b" {
		t.Errorf("wrapped: %q, %q", what, write)
	}
}
