package schema

import (
	"encoding/json"
	"testing"
)

// JSON output goes by the keys of the file.
func TestPlain(t *testing.T) {
	rec, problems := DecodeRecord("2024-03-05-parts-8k2m.toml", []byte(`kind = "parts"
date = 2024-03-05
by = "mw"
hours = 12.5

[[part]]
section = "power supply"
ref = "C1"
found = "failed"
mode = "short"
old_kept = "scrapped"
action = "replaced"
new = {value = "10 uF"}
`))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	got, err := json.Marshal(Plain(rec))
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"by":"mw","date":"2024-03-05","hours":12.5,"kind":"parts","part":[{"action":"replaced","found":"failed",` +
		`"mode":["short"],"new":{"value":"10 uF"},"old_kept":"scrapped","ref":"C1","section":"power supply"}]}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
