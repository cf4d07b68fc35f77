package unit

import "testing"

func BenchmarkBuild(b *testing.B) {
	src, ctx, _ := sample(b, "kit-with-exceptions")
	b.ReportAllocs()
	for b.Loop() {
		Build(src, ctx)
	}
}
