"""What each change of an order does, whom it is refused and what it asks: said in the schema."""

TOLD = {
    "release": "Gives a drafted order to the workshop. Asked about: a day that is only proposed or "
    "on which the vehicle cannot come in, and work that is far from due.",
    "take-back": "Takes a release back: the order is drafted again. Refused once the vehicle "
    "stands in the workshop or the work has begun.",
    "plan": "Sets or clears the day of an order that is not finished. Asked about: a day on which "
    "the vehicle cannot come in, or who has the order is not at work.",
    "assign": "Gives an order that is not finished to a mechanic, or to nobody. One who is not at "
    "work on its day is asked about.",
    "raise-by": "Says how the bay raises the vehicle; the cautions on the job card follow. Refused "
    "on the ground where a step raises it or goes under it; ramps are asked about where it must "
    "stand level.",
    "arrive": "Notes that the vehicle of an order that is not finished stands in the workshop: "
    "downtime counts from here.",
    "start": "Begins a released order, whatever day it is; whoever begins one that is nobody's "
    "takes it.",
    "wait": "Interrupts work that was started, and says what it waits for.",
    "resume": "Goes on with work that waited; the time it waited is kept.",
    "finish": "Ends the work with the odometer and whether the vehicle is fit for use: services "
    "are recorded, stock is booked, due dates follow. Refused while a job is open and, "
    "unless it is not fit for use, while a point is open without which it must not move; what else "
    "speaks against it is asked about.",
    "hand-back": "Notes that the vehicle of a finished order left the workshop: downtime ends "
    "here.",
    "sign-off": "Vouches for the work of a finished order, as another person: refused to whoever "
    "finished it, ended one of its jobs or recorded on it, but not for work done outside.",
    "late-seen": "Notes that what came after the sign-off was seen. Refused where nothing waits to "
    "be seen, and to whoever worked on the order.",
    "add-jobs": "Puts services, or other work in words, on an order that is not finished. Refused "
    "where a service has an open job already, and on an order of an outside workshop.",
    "drop-jobs": "Takes open jobs off an order that is not finished; their services are free for "
    "another. Refused where one has records, or none would be left.",
    "cancel": "Gives an order up before it is finished, with the reason; its open jobs are free "
    "for another.",
    "correct": "Opens a finished order again: its services are voided, its stock is put back and "
    "due dates follow. Papers of an outside workshop are cancelled instead; what is signed "
    "off is refused.",
}
