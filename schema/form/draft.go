package form

import (
	"slices"

	"github.com/BurntSushi/toml"

	"benchlore/schema"
)

// Draft is a record that has not been stored yet, as it outlives the program.
type Draft struct {
	Kind    schema.Kind `toml:"kind"`
	Unit    string      `toml:"unit"`
	Date    schema.Date `toml:"date,omitempty"`
	By      string      `toml:"by"`
	Typed   string      `toml:"typed,omitempty"` // at the question nobody has answered yet
	Answers []Answer    `toml:"answer,omitempty"`
}

// Empty reports whether nothing is lost when the draft is.
func (d *Draft) Empty() bool {
	return d.Typed == "" && !slices.ContainsFunc(d.Answers, func(a Answer) bool { return a.Text != "" })
}

// Encode writes the draft as TOML.
func (d *Draft) Encode() []byte { return schema.Encode(d) }

// DecodeDraft reads what Encode wrote.
func DecodeDraft(data []byte) (*Draft, error) {
	d := &Draft{}
	_, err := toml.Decode(string(data), d)
	return d, err
}
