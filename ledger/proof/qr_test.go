package proof

import (
	"strings"
	"testing"
)

func TestQRText(t *testing.T) {
	const id, head = "6f0c7e5a-0d0c-4c0e-9b7e-2d3a5c1f4b11", "c0ffee00c0ffee00c0ffee00c0ffee00c0ffee00"
	digest := strings.Repeat("0123456789abcdef", 4)
	for _, c := range []struct{ statement, want string }{
		{digest, "benchlore:1:" + id + ":" + head + ":0123456789abcdef"},
		{"", "benchlore:1:" + id + ":" + head + ":"},
	} {
		got := QRText(id, head, c.statement)
		if got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
		if !labelForm.MatchString(got) {
			t.Errorf("verify does not read %q", got)
		}
	}
}
