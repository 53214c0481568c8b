package kernelfile_test

import (
	"context"
	"fmt"

	"dewline/sensors/kernelfile"
)

func ExampleReader() {
	reader := kernelfile.NewReader(kernelfile.Dir("../../testdata/sys/north-loft"))
	ctx := context.Background()
	entry, err := reader.Find(ctx, kernelfile.IIO, "dht11", "")
	if err != nil {
		fmt.Println(err)
		return
	}
	text, err := reader.ReadFile(ctx, entry.Path+"/in_temp_input")
	if err != nil {
		fmt.Println(err)
		return
	}
	milli, err := kernelfile.ParseInteger(text)
	fmt.Println(entry.Name, entry.Short(), milli, err)
	// Output: dht11 dht11@11 23700 <nil>
}
