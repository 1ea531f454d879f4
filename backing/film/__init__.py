"""A stream and its sheet as moving pictures: what is shown when, its pictures, and the file."""
