package schema

import (
	"os"
	"testing"

	"github.com/BurntSushi/toml"
)

const typicalRecord = corpusDir + "/good/parts-full/2021-03-06-parts-w3ne.toml"

func typical(b *testing.B) []byte {
	data, err := os.ReadFile(typicalRecord)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	b.ResetTimer()
	return data
}

func BenchmarkDecodeRecord(b *testing.B) {
	data := typical(b)
	for b.Loop() {
		if _, ps := DecodeRecord(typicalRecord, data); len(ps) > 0 {
			b.Fatal(drawings(ps))
		}
	}
}

// BenchmarkTOMLOnly is what DecodeRecord is held against: the TOML library
// alone on the same bytes and type.
func BenchmarkTOMLOnly(b *testing.B) {
	data := typical(b)
	for b.Loop() {
		var r Parts
		if _, err := toml.Decode(string(data), &r); err != nil {
			b.Fatal(err)
		}
	}
}
