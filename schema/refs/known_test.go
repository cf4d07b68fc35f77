package refs

import (
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// TestKnown: a list reads the same however often it was read before, and an
// error is an error every time.
func TestKnown(t *testing.T) {
	t.Parallel()
	texts := rapid.OneOf(rapid.StringMatching(`[A-C][1-9]{1,2}(-[A-C]?[1-9]{1,2})?(, [A-C][1-9])?`), rapid.StringMatching(`key:[1-9](-[1-9])?/contact\.[12]`), rapid.StringN(0, 6, 50))
	rapid.Check(t, func(t *rapid.T) {
		s := texts.Draw(t, "list")
		want, wantErr := parse(s)
		for range 2 {
			got, err := Parse(s)
			if !reflect.DeepEqual(got, want) || (err == nil) != (wantErr == nil) || err != nil && err.Error() != wantErr.Error() {
				t.Fatalf("%q: %v, %v; want %v, %v", s, got, err, want, wantErr)
			}
			got.Enumerate() // what is shared stays as it is
		}
		ref := Ref(s)
		wantParsed, _ := takeApart(s)
		for range 2 {
			if got := parseRef(ref); !reflect.DeepEqual(got, wantParsed) {
				t.Fatalf("%q: %v, want %v", s, got, wantParsed)
			}
		}
	})
}
