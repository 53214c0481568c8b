package board_test

import (
	"context"
	"fmt"

	"dewline/sensors/board"
)

func ExampleBoard_Supply() {
	b, err := board.New(board.Options{Root: "../../testdata/sys/north-loft"})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer b.Close()
	supply, err := b.Supply(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	reading, err := b.Read(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("supply %s, processor %.1f °C\n", supply, reading.Values[0].Value)
	// Output: supply in order, processor 48.7 °C
}

func ExampleParseThrottled() {
	word, err := board.ParseThrottled("throttled=0x50005")
	fmt.Println(word, err)
	// Output: under-voltage now, slowed down now <nil>
}
