"""A record held against the lines of a register, and its laterals against the mains.

Reads built layers and any vector file; changes neither. All is computed in metres on one plane
about the record's middle (`located`).

register_lines  lines of any vector file, with their names, σ, inverts and diameters
located         the record's lines, how sure they are along their length, their downstream ends
sampled         lines beside lines in equal steps on the ground
pairing         which lines are one pipe, and how far apart in σ
match           verdicts: same, moved, conflicting, new, gone, not comparable
connect         which main a lateral meets, how far along it, side, angle, inverts
layers          either as an overlay's folder
picture         either as a plan picture

Decisions, with reasons
-----------------------
Matching:

Ends tell little: a register's line may begin at the wall or at the boundary, and end on the main's
axis or side. So both lines are sampled every half metre at most, and what is compared is the
distance from each point to the other line, where that runs on both ways from its nearest place.
Two lines run alongside where half of the shorter is abreast of the other, and as much is passed
along it there: a main that is crossed is passed along by nothing. Of several side by side the
nearest is taken; where the next is no farther than chance explains, the pair conflicts. Several
one behind the other are one pipe in pieces, each with a row.

Moved: the largest offset in σ, of both lines together, exceeds a limit that chance exceeds in one
pair of a hundred. σ of the record is that of its segments (the 95 % radius by 2.4477), of the
register its own or the one given. As many places may err by themselves as both lines have located
points and vertices, and the 1 % is shared among them; one shift of a whole line then trips it more
seldom. `lateralline prove match` simulates both and how far a line must move to be seen.

An id that names one line on either side makes a pair up to 50 m off, where nothing else runs
alongside. Where the line that runs alongside has another id than the site names, they conflict.
They conflict too where the record's downstream end is on, or joins, other lines than the register's
end does, and where the register's line names a node at an end that the record has on other lines;
names the record does not know contradict nothing. Gone is said of what lies, by half its length, on
ground the lines of one site span: no survey proves that a pipe is not there, and a new line is no
proof that it was not known.

Connecting:

A line ends on a main where the gap to the main's side is no more than chance explains, 99 in 100.
The place is where the last 2 m of the line lead, unless they run within 15° of the main's own way,
then the nearest. Its σ takes in both positions, the direction carried on, the slant of the meeting
and where the main's access itself is. Of two mains one is taken where it is 95 % likely by the gaps
alone, or where both come together at the access the line ends on. A line that ends before a main
is carried straight on to it, and says so: that is no located pipe. Levels compare only where
`--main-levels same` says that they count from the same, for no vector file says so by itself.
"""
