"""The compiled C in closed loop with the circuit, on virtual boards, judged case by case."""
